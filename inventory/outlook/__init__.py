"""What the months behind say of the months ahead: rates with a season, days of cover, run-out and overflow.

A forecast comes with its interval and with how well the same rule would have done on the months known
(its back-test). With fewer than `MONTHS_NEEDED` months it is refused in words instead.
"""

from inventory.outlook.cover import Crossing, days_of_cover, first_crossing
from inventory.outlook.rates import MONTHS_NEEDED, BackTest, Forecast, NotEnoughMonths, forecast

__all__ = [
    "MONTHS_NEEDED",
    "BackTest",
    "Crossing",
    "Forecast",
    "NotEnoughMonths",
    "days_of_cover",
    "first_crossing",
    "forecast",
]

"""The cells of one line by field, and what is said of them."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any, NoReturn

from inventory.models import Movement
from inventory.tickets.columns import FIELDS, Settings
from inventory.tickets.report import Report, TicketProblem
from inventory.tickets.values import Unread, number

TEXTS = {name: Movement._meta.get_field(name).max_length for name in
         ("document", "counterparty", "haulier", "note")}  # fmt: skip


class Stop(Exception):
    """A step of a line said a problem and gives nothing."""


class Cells:
    """Reads cells of the line at hand (`self.cells`) and adds problems to the report."""

    def __init__(self, settings: Settings, report: Report) -> None:
        self.settings, self.report = settings, report
        self.index = settings.index()
        self.cells: list[str] = []

    def _tried(self, step: Callable[..., Any], *args: Any) -> Any:
        """What the step gives, or `None` where it said a problem: the steps after it still look."""
        try:
            return step(*args)
        except Stop:
            return None

    def _cell(self, cells: list[str], name: str) -> str:
        place = self.index.get(name)
        return "" if place is None else cells[place]

    def _number(self, line: int, cells: list[str], name: str) -> Decimal | None:
        text = self._cell(cells, name)
        if not text:
            return None
        try:
            return number(text, self.settings.decimal)
        except Unread as unread:
            self._wrong(line, name, unread.message, unread.remedy)

    def _text(self, line: int, cells: list[str], name: str) -> str:
        text = self._cell(cells, name)
        if len(text) > TEXTS[name]:
            self._say(line, name, f"is longer than {TEXTS[name]} characters", "Shorten it.")
        return text

    def _wrong(self, line: int, name: str, message: str, remedy: str) -> NoReturn:
        self._say(line, name, message, remedy)
        raise Stop

    def _say(self, line: int, name: str, message: str, remedy: str) -> None:
        place = self.index.get(name)
        value = "" if place is None or place >= len(self.cells) else self.cells[place]
        column = 0 if place is None else place + 1
        self.report.add(TicketProblem(message, remedy, line, column, FIELDS.get(name, ""), value))

"""What stock cost and what it is worth: pure functions over plain records, in `Decimal` throughout.

An amount of money is rounded once, at its line, to two places, half to even; what is left over stays in
the stock and is never lost, so that opening + receipts − issues = closing holds to the cent. Both cost
formulas of IAS 2.25 are here, the same for all stock of one material at one site.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from inventory.errors import BadEntry

CENT = Decimal("0.01")
PER_TONNE_PLACE = Decimal("0.0001")
NOTHING = Decimal(0)


@dataclass(frozen=True)
class Layer:
    """Tonnes that came in together, and the amount they cost."""

    tonnes: Decimal
    amount: Decimal


@dataclass(frozen=True)
class Costed:
    """A pool after a period: its layers, oldest first, and what its issues cost."""

    layers: tuple[Layer, ...]
    issued_t: Decimal
    issued_amount: Decimal
    issued_per_t: Decimal

    @property
    def tonnes(self) -> Decimal:
        return sum((layer.tonnes for layer in self.layers), NOTHING)

    @property
    def amount(self) -> Decimal:
        return sum((layer.amount for layer in self.layers), NOTHING)

    @property
    def per_t(self) -> Decimal:
        """Cost of a tonne that is left, unrounded; the cost of an issue where none is left."""
        return self.amount / self.tonnes if self.tonnes else self.issued_per_t


@dataclass(frozen=True)
class LowerOf:
    """Stock at the lower of cost and net realisable value.

    `allowance` is what is written down in all; `change` what that adds to before: positive is an expense
    of the period, negative a reversal, which never carries stock above its cost (IAS 2.33).
    """

    cost_amount: Decimal
    allowance: Decimal
    change: Decimal

    @property
    def carrying_amount(self) -> Decimal:
        return self.cost_amount - self.allowance


def line_amount(tonnes: Decimal, per_t: Decimal) -> Decimal:
    """Tonnes times money per tonne, rounded once to two places, half to even."""
    return (tonnes * per_t).quantize(CENT, rounding=ROUND_HALF_EVEN)


def per_tonne(per_t: Decimal) -> Decimal:
    """An amount per tonne as it is shown: four places, half to even. Never used to work further."""
    return per_t.quantize(PER_TONNE_PLACE, rounding=ROUND_HALF_EVEN)


def weighted_average(
    opening: Sequence[Layer], receipts: Iterable[Layer], issued_t: Decimal, otherwise_per_t: Decimal
) -> Costed:
    """The average of opening and all receipts of the period prices every issue (IAS 2.27, periodic).

    `otherwise_per_t` prices what is issued from a pool that holds nothing.
    """
    available = [*opening, *receipts]
    tonnes = sum((layer.tonnes for layer in available), NOTHING)
    amount = sum((layer.amount for layer in available), NOTHING)
    per_t = amount / tonnes if tonnes > 0 else otherwise_per_t
    left_t = tonnes - issued_t
    # The last tonne takes the last cent with it.
    issued_amount = line_amount(issued_t, per_t) if left_t else amount
    left = (Layer(left_t, amount - issued_amount),) if left_t or amount != issued_amount else ()
    return Costed(left, issued_t, issued_amount, per_t)


def fifo(
    opening: Sequence[Layer], receipts: Iterable[Layer], issued_t: Decimal, otherwise_per_t: Decimal
) -> Costed:
    """Issues take the oldest layers first (IAS 2.27); a layer in part leaves the rest of its amount.

    What is issued beyond all layers is priced at `otherwise_per_t` and stands as a negative layer; what
    the next receipts cost more or less than that belongs to the issues of their period.
    """
    layers, lacking_t, taken = _layers_and_lack([*opening, *receipts])
    to_take, left = issued_t + lacking_t, []
    for layer in layers:
        part_t = min(max(to_take, NOTHING), layer.tonnes)
        part = layer.amount if part_t == layer.tonnes else line_amount(part_t, layer.amount / layer.tonnes)
        to_take, taken = to_take - part_t, taken + part
        if part_t != layer.tonnes:
            left.append(Layer(layer.tonnes - part_t, layer.amount - part))
    if to_take:
        beyond = line_amount(to_take, otherwise_per_t)
        taken += beyond
        left.append(Layer(-to_take, -beyond))
    per_t = taken / issued_t if issued_t else (_oldest_per_t(left) or otherwise_per_t)
    return Costed(tuple(left), issued_t, taken, per_t)


def _layers_and_lack(layers: Iterable[Layer]) -> tuple[list[Layer], Decimal, Decimal]:
    """Layers that hold tonnes; tonnes and amount of what was issued beyond them. Amounts without tonnes,
    such as haul within one pool, belong to the newest layer."""
    full: list[Layer] = []
    lacking_t, owed = NOTHING, NOTHING
    for layer in layers:
        if layer.tonnes > 0:
            full.append(layer)
        elif layer.tonnes == 0 and full:
            full[-1] = Layer(full[-1].tonnes, full[-1].amount + layer.amount)
        else:
            lacking_t, owed = lacking_t - layer.tonnes, owed + layer.amount
    return full, lacking_t, owed


def _oldest_per_t(layers: Sequence[Layer]) -> Decimal | None:
    return next((layer.amount / layer.tonnes for layer in layers if layer.tonnes > 0), None)


FORMULAS = {"weighted-average": weighted_average, "fifo": fifo}
"""`Material.cost_method` → the cost formula."""


def lower_of_cost_and_nrv(
    tonnes: Decimal, cost_amount: Decimal, nrv_per_t: Decimal | None, allowance_before: Decimal = NOTHING
) -> LowerOf:
    """The write-down that item by item brings stock to its net realisable value (IAS 2.9, 2.29, 2.33).

    Without a net realisable value there is no test and the allowance stays, up to the cost that is left.
    """
    if nrv_per_t is None:
        allowance = min(allowance_before, max(cost_amount, NOTHING))
    else:
        allowance = max(cost_amount - line_amount(tonnes, nrv_per_t), NOTHING) if tonnes > 0 else NOTHING
    return LowerOf(cost_amount, allowance, allowance - allowance_before)


def cost_less_by_products(joint_amount: Decimal, by_products: Iterable[tuple[Decimal, Decimal]]) -> Decimal:
    """Cost of the main product: the joint cost less by-products at net realisable value (IAS 2.14).

    `by_products` are (tonnes, net realisable value per tonne). `BadEntry` where they are worth more than
    all of it: then they are no by-products, and the cost has to be shared.
    """
    worth = sum((line_amount(tonnes, nrv_per_t) for tonnes, nrv_per_t in by_products), NOTHING)
    if worth > joint_amount:
        raise BadEntry(
            f"By-products worth {worth} are more than the joint cost of {joint_amount}. Nothing was changed.",
            where="by_products",
            remedy="Share the joint cost by relative sales value instead: these are main products too.",
        )
    return joint_amount - worth


def shared_by_sales_value(
    joint_amount: Decimal, products: Sequence[tuple[Decimal, Decimal]]
) -> tuple[Decimal, ...]:
    """Shares of a joint cost by sales value, (tonnes, price per tonne) each; they add up to the cent.

    The largest share carries what rounding leaves. `BadEntry` where nothing has a value.
    """
    values = [tonnes * price for tonnes, price in products]
    total = sum(values, NOTHING)
    if total <= 0:
        raise BadEntry(
            "None of the products has a sales value to share the cost by. Nothing was changed.",
            where="products",
            remedy="Give tonnes and price of each product.",
        )
    shares = [line_amount(joint_amount, value / total) for value in values]
    largest = values.index(max(values))
    shares[largest] += joint_amount - sum(shares, NOTHING)
    return tuple(shares)

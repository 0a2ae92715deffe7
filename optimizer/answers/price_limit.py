"""The highest price of one thing at which something holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PriceLimit:
    """The highest price at which something holds.

    Attributes
    ----------
    cents : int or None
        For what the sheet sells at once: a piece, a pair or a set. None: at no price, not even for nothing, unless
        ``any_price``.
    any_price : bool
        It holds however dear the part is.
    """

    cents: int | None
    any_price: bool = False

    @property
    def none(self) -> bool:
        """Whether it holds at no price."""
        return self.cents is None and not self.any_price

    def or_higher(self, other: PriceLimit) -> PriceLimit:
        """The higher of two."""
        if self.any_price or other.any_price:
            return PriceLimit(None, any_price=True)
        known = [each for each in (self.cents, other.cents) if each is not None]
        return PriceLimit(max(known, default=None))


NO_PRICE = PriceLimit(None)


def highest_affordable(costs: Callable[[int | None], float], budget: float) -> PriceLimit:
    """The highest price of one thing at which what is to be had costs no more than a budget.

    Parameters
    ----------
    costs : callable
        What it costs [cents] at a price of the thing, concave and rising in it; None: where the thing is not for sale.
    budget : float
        In cents; infinite without a limit.
    """
    if costs(None) <= budget:
        return PriceLimit(None, any_price=True)
    price, now = 0, costs(0)
    if now > budget:
        return NO_PRICE
    while (dearer := costs(price + 1)) <= budget:
        # Concave: the next steps add no more than this one did. It adds something, or the price would not matter.
        price += max(1, int((budget - now) // (dearer - now)))
        now = costs(price)
    return PriceLimit(price)

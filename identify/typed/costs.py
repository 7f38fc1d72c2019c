"""What a user says a wrong kit and a minute of asking cost, and how sure an order must be."""

import math
import re
from dataclasses import dataclass, replace

from identify.matching.settings import MatchSettings

_AMOUNT = re.compile(r"^\s*([A-Za-z]{3})?\s*(\d+(?:[.,]\d{1,2})?)\s*([A-Za-z]{3})?\s*$")
_PERCENT = re.compile(r"^\s*(\d+(?:[.,]\d+)?)\s*%?\s*$")
_ORDER_AT_PERCENT = (50.0, 99.99)
_LARGEST = 1e7


@dataclass(frozen=True)
class TypedCosts:
    """Figures of the bargain between ordering and asking, exactly as typed; empty means not given."""

    wrong_kit_cost: str = ""
    minute_cost: str = ""
    order_at: str = ""


@dataclass(frozen=True)
class CostRefused:
    """Why a figure can not be used, and of which option. Falsy."""

    option: str
    reason: str

    def __bool__(self) -> bool:
        return False


def read_costs(typed: TypedCosts, settings: MatchSettings | None = None) -> MatchSettings | CostRefused:
    """Settings with the user's own figures: "400", "350 EUR" or "EUR 350" for amounts, "99" or "99.5 %"."""
    settings = settings or MatchSettings()
    kit = _amount(typed.wrong_kit_cost, settings.wrong_kit_cost)
    minute = _amount(typed.minute_cost, settings.cost_per_minute)
    if kit is None:
        return CostRefused("--wrong-kit-cost", f"{typed.wrong_kit_cost!r} is no amount; write 400 or 350EUR.")
    if minute is None:
        return CostRefused("--minute-cost", f"{typed.minute_cost!r} is no amount; write 2 or 1.50EUR.")
    currencies = {currency for _, currency in (kit, minute) if currency}
    if len(currencies) > 1:
        return CostRefused("--minute-cost", f"both costs must be in one currency, not {' and '.join(currencies)}.")
    settings = replace(
        settings,
        wrong_kit_cost=kit[0],
        cost_per_minute=minute[0],
        cost_currency=next(iter(currencies), settings.cost_currency),
    )
    return _with_order_at(settings, typed.order_at)


def _amount(text: str, default: float) -> tuple[float, str] | None:
    """Amount and currency, the default where nothing was typed, None where it can not be read."""
    if not text.strip():
        return default, ""
    match = _AMOUNT.match(text)
    amount = float(match[2].replace(",", ".")) if match else math.nan
    if match is None or not 0.0 <= amount <= _LARGEST:
        return None
    return amount, (match[1] or match[3] or "").upper()


def _with_order_at(settings: MatchSettings, text: str) -> MatchSettings | CostRefused:
    if not text.strip():
        return settings
    low, high = _ORDER_AT_PERCENT
    match = _PERCENT.match(text)
    percent = float(match[1].replace(",", ".")) if match else math.nan
    if not low <= percent <= high:
        return CostRefused("--order-at", f"{text!r} is no chance from {low:g} to {high:g} %; write 99 or 99.5.")
    return replace(settings, order_threshold=percent / 100.0)

"""A price feed on another scale than the bands is refused, and the bands go on holding."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest

from adapters.types import Message, PriceSeries, Refusal
from adapters.wiring import PriceFeed
from service import feeds
from service.records.errors import RecordsError
from service.scheduling.tariff import Band, Tariff
from service.settings import Tunables

NOW_S = 1_767_225_600


@dataclass
class Home:
    """Takes and refuses; it and the records note what came."""

    taken: list[PriceSeries] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    id: str = "home"
    bands: tuple[Band, ...] = (Band(import_per_kwh=0.3),)

    @property
    def settings(self) -> Any:
        return SimpleNamespace(tunables=Tunables(tariff=Tariff(bands=self.bands)))

    def refuse(self, refusal: Refusal) -> None:
        self.refused.append(refusal)

    def offer_prices(self, series: PriceSeries) -> None:
        self.taken.append(series)

    def add_prices(self, _home: str, series: PriceSeries) -> None:
        assert series


def _send(home: Home, prices: list[float], **keys: Any) -> None:
    feed = PriceFeed(kind="mqtt", address="prices", time_unit="s", slot_minutes=15, **keys)
    rows = [{"start": NOW_S + i * 900, "price": price} for i, price in enumerate(prices)]
    message = Message("prices", json.dumps(rows).encode(), 1, False, NOW_S, 0.0)
    feeds.take_mqtt(home, home, feed, message)  # type: ignore[arg-type]


def test_prices_that_cannot_be_kept_are_planned_with_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def full(*_: Any) -> None:
        raise RecordsError("full", "the disk is full", "here", "Free some space.")

    monkeypatch.setattr(Home, "add_prices", full)
    home = Home()
    with pytest.raises(RecordsError):
        _send(home, [0.2, 0.3])
    assert [series.per_kwh for series in home.taken] == [(0.2, 0.3)]


def test_prices_per_mwh_without_their_factor_are_refused_with_the_mend() -> None:
    home = Home()
    _send(home, [62.0, 85.0, -3.0, 110.0])
    assert home.taken == []
    (refusal,) = home.refused
    assert refusal.message == (
        "73.5 per kWh is 245 times the dearest band's 0.3; check per_kwh_factor (0.001 for prices "
        "per MWh) and the bands' currency"
    )
    _send(home, [62.0, 85.0, -3.0, 110.0], per_kwh_factor=0.001)
    assert len(home.taken) == 1


@pytest.mark.parametrize("prices", [[0.2, 0.3, 15.0, 0.2], [-0.5, 0.0, 0.0, 0.1], [3.0] * 4])
def test_dear_hours_and_negative_ones_are_taken(prices: list[float]) -> None:
    home = Home()
    _send(home, prices)
    assert len(home.taken) == 1


def test_carbon_is_on_a_scale_of_its_own_and_free_bands_say_nothing() -> None:
    home = Home()
    _send(home, [245.0] * 4, of="carbon")
    assert len(home.taken) == 1
    home = Home(bands=(Band(import_per_kwh=0.0),))
    _send(home, [62.0] * 4)
    assert len(home.taken) == 1

"""What feeds bring is on record: prices and carbon intensity alike, in the export too."""

from __future__ import annotations

import csv
import io
import json
import time
import zipfile
from pathlib import Path

import httpx

from tests import config_text, mosquitto
from tests.plain_publisher import Plant
from tests.serving import Serving

START_S = 1_773_792_000  # 2026-03-18T00:00:00Z
FEEDS = "".join(
    f"""
[[homes.price_feeds]]
kind = "mqtt"
address = "plant/series/{of}"
of = "{of}"
rows = "rows"
time_unit = "s"
"""
    for of in ("import", "export", "carbon")
)
VALUE = {"import": 0.31, "export": 0.07, "carbon": 245.0}


def _exported(address: str) -> list[dict[str, str]]:
    whole = httpx.get(f"{address}/api/v1/homes/home/export").content
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        text = archive.read("prices.csv").decode()
    return list(csv.DictReader(io.StringIO(text)))


def test_prices_and_carbon_are_kept_and_exported_alike(tmp_path: Path) -> None:
    with mosquitto.start() as broker:
        config = config_text.write(tmp_path, broker.port)
        text = config.read_text(encoding="utf-8")
        config.write_text(text.replace("[homes.first]", f"{FEEDS}\n[homes.first]"))
        with Serving(config) as serving:
            plant = Plant(broker.port)
            try:
                until = time.monotonic() + 20
                while len(kept := _exported(serving.address)) < 3 and time.monotonic() < until:
                    for of, value in VALUE.items():  # again until somebody listens
                        hour = {"start": START_S, "end": START_S + 3600, "price": value}
                        plant.say(f"series/{of}", {"rows": [hour]})
                    time.sleep(0.5)
            finally:
                plant.close()
    assert {row["of"]: float(row["per_kwh"]) for row in kept} == VALUE, json.dumps(kept)
    assert {(row["start"], row["end"]) for row in kept} == {
        ("2026-03-18T00:00:00+00:00", "2026-03-18T01:00:00+00:00")
    }

"""The benchmark frame: goals are judged both ways and reports carry no host name."""

import json
import platform
import types

import pytest

from tests.benchmarks import frame


def test_goals_are_judged_both_ways() -> None:
    assert frame.at_least("x", 2.0, 1.0).reached
    assert not frame.at_least("x", 0.5, 1.0).reached
    assert frame.at_most("x", 0.5, 1.0).reached
    assert not frame.within("x", 94.0, 87.0, 93.0).reached


def test_a_report_is_printed_and_kept(tmp_path, monkeypatch, capsys) -> None:
    module = types.ModuleType("made_up", "How fast nothing happens.")
    result = frame.Result("nothing", (frame.at_least("speed", 3.0, 5.0, "times"),), ("a note",))
    module.run = lambda: result  # type: ignore[attr-defined]
    monkeypatch.setattr(frame, "RESULTS", tmp_path)
    monkeypatch.setattr(frame, "load", lambda name: module)
    frame.measure("made_up")
    printed = capsys.readouterr().out
    assert "NOT reached" in printed
    assert "compared with: nothing" in printed
    text = (tmp_path / "made_up.json").read_text()
    assert json.loads(text)["figures"][0]["reached"] is False
    assert platform.node() not in text


def test_an_unknown_name_is_refused_with_the_known_ones() -> None:
    with pytest.raises(SystemExit, match="No benchmark is called 'nope'"):
        frame.main(["nope"])

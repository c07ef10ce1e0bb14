"""A household learned from its draws: shapes, round trip, grids, guests, absence."""

import datetime as dt
import pickle
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecasting import calendar, draws, slots
from forecasting.types import DrawHistory, Household, Visit
from service.settings import Learning

ZONE = ZoneInfo("Europe/Berlin")
START = int(dt.datetime(2024, 1, 1, tzinfo=ZONE).timestamp())  # a Monday
DAY = 86_400


def history(days: int, seed: int = 1, gone: range = range(0)) -> DrawHistory:
    """Two morning showers on working days, a bath on Sunday evenings, basins all day."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in range(days):
        if day in gone:
            continue
        midnight = START + day * DAY
        for _ in range(rng.poisson(8)):
            rows.append((midnight + int(rng.uniform(6.5, 22.5) * 3600), 45.0, rng.uniform(1, 7)))
        if day % 7 < 5:
            for _ in range(2):
                rows.append((midnight + int(rng.normal(7.0, 0.3) * 3600), 300.0, rng.normal(40, 5)))
        if day % 7 == 6:
            rows.append((midnight + int(rng.normal(19.0, 0.3) * 3600), 600.0, rng.normal(130, 8)))
    rows.sort()
    begin, seconds, litres = (np.array(column) for column in zip(*rows, strict=True))
    return DrawHistory(
        begin.astype(np.int64), seconds, litres, litres * 0.035, START, START + days * DAY
    )


def part(of: DrawHistory, begin: int, end: int) -> DrawHistory:
    use = (of.start_s >= begin) & (of.start_s < end)
    return DrawHistory(
        of.start_s[use], of.duration_s[use], of.litres_40c[use], of.energy_kwh[use], begin, end
    )


def forecast(model, now, drawn=None, visits=(), minutes=30):
    grid = calendar.grid(now, ZONE, minutes, 48)
    nothing = part(HISTORY, now, now) if drawn is None else drawn
    return draws.forecast(model, grid, now, visits, nothing, np.full(len(grid), 10.0))


HISTORY = history(70)
NOW = START + 70 * DAY
HOME = Household(occupants=2)


@pytest.fixture(scope="module")
def model():
    return draws.learn(HISTORY, HOME, ZONE, NOW)


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_probabilities_are_probabilities_on_every_grid(model, minutes):
    out = forecast(model, NOW + 7 * 3600 + 900, minutes=minutes)
    assert out.pmf.min() >= 0
    np.testing.assert_allclose(out.pmf.sum(-1), 1.0, atol=1e-9)
    np.testing.assert_allclose(out.transition.sum(-1), 1.0, atol=1e-9)
    assert out.regime_now.sum() == pytest.approx(1.0)
    assert out.volumes_l40[0] == 0


def test_the_expected_volume_does_not_depend_on_the_slot_length(model):
    totals = [forecast(model, NOW, minutes=m).expected_l40.sum() for m in (15, 30, 60)]
    assert max(totals) < 1.05 * min(totals)


def test_a_model_goes_to_another_process_and_is_not_large(model):
    packed = pickle.dumps(model)
    assert len(packed) < 2_000_000
    again = pickle.loads(packed)
    one, two = forecast(model, NOW), forecast(again, NOW)
    np.testing.assert_array_equal(one.pmf, two.pmf)
    np.testing.assert_array_equal(one.transition, two.transition)


def test_weekday_habits_are_learned(model):
    week = draws.typical_week(model)
    assert week.shape == (7, 48)
    assert week[:5, 12:17].sum(1).min() > 1.5 * week[5:, 12:17].sum(1).max()
    assert week[6, 36:41].sum() > 3 * week[2, 36:41].sum()


def test_nothing_known_gives_the_published_profile():
    empty = draws.learn(part(HISTORY, START, START), HOME, ZONE, START)
    assert empty.learned_weight == 0
    # SAP: (25 N + 36) litres a day at a rise of 37 K, as litres at 40 degC above 15 degC
    assert draws.typical_week(empty).sum(1) == pytest.approx(86 * 37 / 25, rel=0.03)


def test_guests_scale_and_away_removes(model):
    usual = forecast(model, NOW)
    guests = forecast(model, NOW, visits=(Visit(NOW, NOW + 2 * DAY, extra_people=2),))
    away = forecast(model, NOW, visits=(Visit(NOW, NOW + DAY, away=True),))
    assert guests.expected_l40.sum() == pytest.approx(2 * usual.expected_l40.sum(), rel=0.1)
    assert away.expected_l40[:48].sum() == pytest.approx(0, abs=1e-9)
    assert "guests" in guests.notes
    assert "away" in away.notes
    two = Visit(NOW, NOW + DAY, extra_people=2)  # as many as usually live here
    minded = forecast(model, NOW, visits=(Visit(NOW, NOW + DAY, away=True), two))
    assert minded.expected_l40[:48] == pytest.approx(usual.expected_l40[:48])


def test_an_unmarked_absence_is_noticed_within_a_day_and_not_learned():
    seen = history(70, gone=range(60, 70))
    model = draws.learn(seen, HOME, ZONE, NOW)
    away = forecast(model, NOW)
    usual = forecast(draws.learn(HISTORY, HOME, ZONE, NOW), NOW)
    assert "absence_noticed" in away.notes
    assert away.expected_l40[:48].sum() < 0.3 * usual.expected_l40[:48].sum()
    week = draws.typical_week(model).sum()
    assert week == pytest.approx(draws.typical_week(part_model(60)).sum(), rel=0.1)
    after_a_day = draws.learn(part(seen, START, START + 61 * DAY), HOME, ZONE, START + 61 * DAY)
    assert "absence_noticed" in forecast(after_a_day, START + 61 * DAY).notes


@pytest.mark.parametrize("learned_at_h", [0.5, 15.0])
def test_who_drew_yesterday_is_at_home_however_old_the_model_is(learned_at_h):
    """It is learned once in 24 h, at any time of day: draws since its last day count as well."""
    seen = history(70, gone=range(60, 68))
    back = START + 68 * DAY + 17 * 3600
    seen = without(seen, START + 60 * DAY, back)
    asked = START + 68 * DAY + int(learned_at_h * 3600)
    model = draws.learn(part(seen, START, asked), HOME, ZONE, asked)
    early = back - 3600
    assert "absence_noticed" in forecast(model, early, part(seen, early - 3 * DAY, early)).notes
    morning = START + 69 * DAY + 5 * 3600
    out = forecast(model, morning, part(seen, morning - 3 * DAY, morning))
    assert "absence_noticed" not in out.notes
    assert out.expected_l40[:24].sum() > 20.0


def test_a_day_without_draws_since_the_model_was_learned_counts_as_one():
    asked = START + 60 * DAY + 15 * 3600
    model = draws.learn(part(HISTORY, START, asked), HOME, ZONE, asked)
    later = START + 62 * DAY + 12 * 3600
    seen = without(HISTORY, START + 60 * DAY, later)
    old = forecast(model, later, part(seen, later - 3 * DAY, later))
    new = forecast(draws.learn(part(seen, START, later), HOME, ZONE, later), later)
    assert "absence_noticed" in old.notes
    assert "absence_noticed" in new.notes


def test_what_nobody_watched_is_no_silence(model):
    evening = NOW + 22 * 3600
    silent = part(HISTORY, NOW, evening)
    assert "absence_noticed" in forecast(model, evening, silent).notes
    unseen = replace(silent, gaps_s=np.array([[NOW, evening]]))
    assert "absence_noticed" not in forecast(model, evening, unseen).notes


def test_a_home_that_is_watched_half_the_time_is_taken_to_draw_all_the_time(model):
    """Every other quarter of an hour without readings: half the draws, in half the time."""
    begin = np.arange(START + 900, NOW, 1800)
    gaps = np.stack([begin, begin + 900], axis=1)
    kept = (HISTORY.start_s - START) % 1800 < 900
    columns = (
        x[kept]
        for x in (HISTORY.start_s, HISTORY.duration_s, HISTORY.litres_40c, HISTORY.energy_kwh)
    )
    seen = DrawHistory(*columns, START, NOW, gaps)
    half = draws.learn(seen, HOME, ZONE, NOW)
    assert half.seen[:-1].max() == 0.5
    usual = draws.typical_week(model).sum()
    assert draws.typical_week(half).sum() == pytest.approx(usual, rel=0.1)


def test_stretches_without_readings_may_overlap():
    gaps = np.array([[START + 600, START + 5400], [START, START + 1200], [START + 900, START + 1]])
    seen = replace(part(HISTORY, START, START + DAY), gaps_s=gaps)
    first = int(calendar.local_days(np.array([START]), ZONE)[0][0])
    share = slots.watched_share(seen, ZONE, first, 2)
    np.testing.assert_allclose(share[0, :4], [0.0, 0.0, 0.0, 1.0])
    assert share.sum() == pytest.approx(45.0)


def test_a_weekend_of_friday_and_saturday_is_learned_as_one():
    """The same household a day earlier, where the weekend is: the same week, a day earlier.

    Of so few weeks each day leans on the days of its kind.
    """
    weeks = part(HISTORY, START, START + 21 * DAY)
    usual = draws.typical_week(draws.learn(weeks, HOME, ZONE, START + 21 * DAY))
    earlier = replace(
        weeks,
        start_s=weeks.start_s - DAY,
        watched_from_s=START - DAY,
        watched_to_s=START + 20 * DAY,
    )
    home = replace(HOME, country="YE")  # its public holidays lie outside these weeks
    model = draws.learn(earlier, home, ZONE, START + 20 * DAY)
    np.testing.assert_allclose(np.roll(draws.typical_week(model), 1, axis=0), usual, rtol=1e-6)


def without(of: DrawHistory, begin: int, end: int) -> DrawHistory:
    keep = (of.start_s < begin) | (of.start_s >= end)
    columns = (x[keep] for x in (of.start_s, of.duration_s, of.litres_40c, of.energy_kwh))
    return DrawHistory(*columns, of.watched_from_s, of.watched_to_s)


@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_a_bath_in_the_half_hour_with_which_the_evening_begins_is_behind_us(minutes):
    """16:05 is in the slot that begins a part of the day: it is done from then on, not from 16:30
    on."""
    rng = np.random.default_rng(3)
    begin = START + np.arange(60) * DAY + rng.uniform(16.2 * 3600, 21 * 3600, 60).astype(np.int64)
    litres = rng.normal(120.0, 8.0, 60)
    baths = DrawHistory(begin, np.full(60, 500.0), litres, litres * 0.035, START, START + 60 * DAY)
    model = draws.learn(baths, HOME, ZONE, START + 60 * DAY)
    at = START + 60 * DAY + 16 * 3600 + 300
    bath = DrawHistory(
        np.array([at]), np.full(1, 240.0), np.full(1, 120.0), np.full(1, 4.2), at - DAY, at + 600
    )
    evening = [
        forecast(model, now, bath, minutes=minutes).expected_l40[: 6 * 60 // minutes].sum()
        for now in (at + 300, at + 3600)
    ]
    assert evening[1] < 30.0
    assert evening[0] < evening[1] + 10.0


def part_model(days: int) -> draws.DrawModel:
    return draws.learn(part(HISTORY, START, START + days * DAY), HOME, ZONE, START + days * DAY)


def test_ordinary_days_are_no_absence():
    for day in range(30, 70):
        now = START + day * DAY
        assert "absence_noticed" not in forecast(part_model(day), now).notes


def test_nightly_updates_arrive_where_learning_does():
    updated = draws.update(part_model(69), part(HISTORY, START + 69 * DAY, NOW))
    learned = draws.learn(HISTORY, HOME, ZONE, NOW)
    np.testing.assert_allclose(
        draws.typical_week(updated), draws.typical_week(learned), rtol=0.25, atol=0.5
    )
    assert updated.days == learned.days
    assert draws.update(updated, part(HISTORY, START + 69 * DAY, NOW)) is updated


def test_one_odd_week_does_not_wipe_out_the_weekdays():
    odd = part(HISTORY, START, START + 63 * DAY)
    week = history(70, seed=9)
    use = week.start_s >= START + 63 * DAY
    shifted = week.start_s[use] + 8 * 3600  # everything eight hours later for a week
    mixed = DrawHistory(
        np.concatenate([odd.start_s, shifted]),
        np.concatenate([odd.duration_s, week.duration_s[use]]),
        np.concatenate([odd.litres_40c, week.litres_40c[use]]),
        np.concatenate([odd.energy_kwh, week.energy_kwh[use]]),
        START,
        NOW,
    )
    after = draws.typical_week(draws.learn(mixed, HOME, ZONE, NOW))
    assert after[:5, 12:17].sum() > 0.6 * draws.typical_week(part_model(63))[:5, 12:17].sum()


def test_a_lasting_change_is_noticed_within_two_weeks_and_one_odd_week_is_not():
    before, after = history(70), history(98, seed=4)
    late = after.start_s >= NOW
    keep = late & (np.arange(len(late)) % 5 < 2)  # three draws in five are gone

    def upto(days: int) -> DrawHistory:
        mix = [np.concatenate([getattr(before, n), getattr(after, n)[keep]]) for n in COLUMNS]
        return part(DrawHistory(*mix, START, NOW + 28 * DAY), START, NOW + days * DAY)

    notes = {
        days: forecast(
            draws.learn(upto(days), HOME, ZONE, NOW + days * DAY), NOW + days * DAY
        ).notes
        for days in (0, 7, 14)
    }
    assert "habits_changed" not in notes[0]
    assert "habits_changed" not in notes[7]
    assert "habits_changed" in notes[14]


COLUMNS = ("start_s", "duration_s", "litres_40c", "energy_kwh")


def test_the_tail_keeps_the_bath_of_every_fortnight():
    use = (HISTORY.litres_40c < 90) | ((HISTORY.start_s - START) // DAY % 14 == 6)
    rare = DrawHistory(*(getattr(HISTORY, n)[use] for n in COLUMNS), START, NOW)
    model = draws.learn(rare, HOME, ZONE, NOW)
    sunday = NOW + 6 * DAY
    made = forecast(model, sunday, part(rare, sunday, sunday))
    chance = made.pmf[:48, :, made.volumes_l40 >= 100].sum(-1).max(1)
    assert chance[36:41].max() > 0.1


def test_what_was_drawn_today_moves_the_rest_of_the_morning(model):
    at = NOW + 7 * 3600 + 1800
    showers = DrawHistory(
        np.array([NOW + 6 * 3600 + 2400, NOW + 7 * 3600]),
        np.array([300.0, 300.0]),
        np.array([42.0, 41.0]),
        np.array([1.4, 1.4]),
        NOW,
        at,
    )
    used, unused = forecast(model, at, showers), forecast(model, at, part(HISTORY, at, at))
    assert used.expected_l40[:4].sum() < 0.7 * unused.expected_l40[:4].sum()


def test_half_a_year_is_remembered_and_a_level_that_changed_is_followed_all_the_same():
    """A household draws half as often for the last five weeks of a long year."""
    days = 230
    usual = history(days)
    late = usual.start_s >= START + (days - 35) * DAY
    keep = ~late | (np.random.default_rng(2).random(len(late)) < 0.5)
    fewer = DrawHistory(
        usual.start_s[keep],
        usual.duration_s[keep],
        usual.litres_40c[keep],
        usual.energy_kwh[keep],
        START,
        START + days * DAY,
    )
    now = START + days * DAY
    before = forecast(draws.learn(usual, HOME, ZONE, now), now).expected_l40.sum()
    model = draws.learn(fewer, HOME, ZONE, now)
    assert model.days == 26 * 7
    assert model.record.days <= draws.TRIED_D
    assert forecast(model, now).expected_l40.sum() < 0.65 * before


def test_what_others_drew_before_these_people_moved_in_teaches_nothing(model):
    moved_in = START + 40 * DAY
    first_day = dt.datetime.fromtimestamp(moved_in, ZONE).date()
    theirs = draws.learn(HISTORY, replace(HOME, since=first_day), ZONE, NOW)
    alone = draws.learn(part(HISTORY, moved_in, NOW), HOME, ZONE, NOW)
    assert theirs.days == 30
    np.testing.assert_array_equal(draws.typical_week(theirs), draws.typical_week(alone))
    assert theirs.record.loss == alone.record.loss != model.record.loss


def test_people_who_move_in_later_change_nothing_yet(model):
    later = replace(HOME, since=dt.datetime.fromtimestamp(NOW + 3 * DAY, ZONE).date())
    still = draws.learn(HISTORY, later, ZONE, NOW)
    np.testing.assert_array_equal(draws.typical_week(still), draws.typical_week(model))
    assert still.record.weight == model.record.weight


def test_on_the_day_they_move_in_the_published_profile_stands_alone():
    today = replace(HOME, since=dt.datetime.fromtimestamp(NOW, ZONE).date())
    begun = draws.learn(HISTORY, today, ZONE, NOW + 3600)
    nothing = draws.learn(part(HISTORY, NOW, NOW), HOME, ZONE, NOW + 3600)
    assert begun.days == 0
    np.testing.assert_array_equal(draws.typical_week(begun), draws.typical_week(nothing))


def test_settings_begin_as_a_household_that_nobody_has_tuned():
    learning = Learning()
    assert learning.window_weeks == Household().learning_window_weeks
    assert learning.half_life_weeks == Household().half_life_weeks


def test_a_meter_that_speaks_only_while_water_runs_makes_no_habit_of_it():
    """Nothing is watched but the minutes of a shower at 7:00 and of a basin at 21:00."""
    days = 42
    begin = np.sort([START + d * DAY + h * 3600 for d in range(days) for h in (7, 21)])
    litres = np.tile([40.0, 3.0], days)
    edges = np.stack([np.append(START, begin + 120), np.append(begin, START + days * DAY)], axis=1)
    seen = DrawHistory(
        begin, np.full(len(begin), 90.0), litres, litres * 0.035, START, START + days * DAY, edges
    )
    model = draws.learn(seen, HOME, ZONE, START + days * DAY)
    published = draws.learn(part(HISTORY, START, START), HOME, ZONE, START)
    assert model.slow.sum((0, 2)).max() < 1.2 * published.slow.sum((0, 2)).max(), "draws a day"

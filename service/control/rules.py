"""What each rule of the precedence table asks for. Thermal disinfection has its own file."""

from __future__ import annotations

from datetime import timedelta

from service.control import config_checks, disinfecting
from service.control.plant import SourcePlant
from service.control.precedence import Judge, Ruling, Run
from service.control.situation import ORDER, Situation
from service.control.state import Facts
from service.control.types import Rule, Wish
from service.cylinder import usable
from service.scheduling import plan as scheduling
from service.scheduling.types import Layout, Order, Plan, Reason, SourceName

CEILING_BACK_K = 1.0  # what stopped at the ceiling waits until it is this much cooler
BATCH_TENTHS = 0.5  # heating begins this far below a level, so that it never flutters around it
WITHOUT_PLAN_TENTHS = 1.0  # without a plan the reserve is charged up to this much beyond itself
LATEST_START_MARGIN = 1.25  # a charge by a time is begun when this much of the time is needed
DEAR_TIMES_MEAN = 1.3  # of the plan's mean price: worth keeping the heat pump's own control off
FROST_C = 7.0
FROST_OVER_C = 12.0
FITS_SHARE = 0.93  # of the cylinder full at the lowest set temperature: below its brim
USED_SHARE = 0.5  # of a charge is drawn before it cools to use, or it is heated hotter


def hard_limits(s: Situation) -> Ruling | None:
    """Release everything while a probe stands at the ceiling."""
    hottest = s.hottest_c
    if hottest is None:
        return None
    last = s.state.decision
    waiting = last is not None and last.rule is Rule.HARD_LIMITS
    ceiling = s.plant.ceiling_c - (CEILING_BACK_K if waiting else 0.0)
    if hottest < ceiling:
        return None
    return Ruling(
        Rule.HARD_LIMITS,
        Reason("at_ceiling", {"hottest_c": round(hottest, 1), "ceiling_c": s.plant.ceiling_c}),
        at_once=True,
    )


def fail_safe(s: Situation) -> Ruling | None:
    """Release everything when what is happening is not known, or nobody will be there."""
    code: str | None = None
    facts: Facts = {}
    if s.stopping:
        code = "stopping"
    elif s.state.clock.wrong:
        code, facts = "clock_cannot_be_right", {"year": s.now.year}
    elif s.state.connected is False:
        code = "broker_gone"
    elif not s.plant.probes:
        code = "no_probe"
    elif (misfit := config_checks.unsafe(s.plant)) is not None:
        code = "settings_do_not_fit"
        facts = {"key": misfit.key, "because": misfit.code}
    elif s.ruling_probe is None:
        stale = [p.name for p in s.plant.probes if p.name not in s.fresh]
        if stale:
            never = not any(p.name in s.state.heard for p in s.plant.probes)
            code = "waiting_for_readings" if never else "readings_stale"
            facts = {"signals": ", ".join(stale)}
        else:
            code = "readings_contradict"
            facts = {"signals": ", ".join(sorted(s.faulty_probes))}
    elif s.upside_down is not None:
        code = "readings_contradict"
        facts = {"signals": ", ".join(s.upside_down)}
    elif s.estimate is None:
        code = "no_estimate"
    if code is None:
        return None
    return Ruling(Rule.FAIL_SAFE, Reason(code, facts), at_once=True)


def maintenance_hold(s: Situation) -> Ruling | None:
    """Nothing is commanded until a person ends it."""
    hold = s.standing.hold
    if hold is None:
        return None
    facts: Facts = {"by": hold.author, "since": hold.made_at.isoformat(timespec="minutes")}
    return Ruling(Rule.MAINTENANCE_HOLD, Reason("hold", facts), at_once=True)


def override(s: Situation) -> Ruling | None:
    """More, less, and a charge by a time."""
    standing, plant = s.standing, s.plant
    if standing.charge_to is not None:
        ruling = _charge_to(s)
        if ruling is not None:
            return ruling
    more = standing.more_tenths
    if more > 0:
        target = min(s.reserve_l40 + more * plant.tenth_l40, _highest_l40(s))
        runs = _up_to(s, target)
        if runs:
            return Ruling(
                Rule.OVERRIDE,
                Reason("more", {"tenths": more, "until_tenths": s.in_tenths(target)}),
                runs,
            )
    if more < 0:
        planned = _by_plan(s, 0)
        if planned.runs and not plan(s).runs:
            return Ruling(Rule.OVERRIDE, Reason("less", {"tenths": -more}))
    return None


def guests_and_away(s: Situation) -> Ruling | None:
    """Guests raise the reserve; an absence keeps none and protects against frost."""
    standing = s.standing
    if standing.away is not None:
        coldest = min(s.probes_c.values(), default=None)
        warming = (
            s.state.decision is not None and s.state.decision.reason.code == "frost_protection"
        )
        if coldest is not None and coldest < (FROST_OVER_C if warming else FROST_C):
            run = _first(s, FROST_OVER_C + 8.0)
            if run is not None:
                return Ruling(
                    Rule.GUESTS_AND_AWAY,
                    Reason("frost_protection", {"coldest_c": round(coldest, 1)}),
                    (run,),
                )
    if standing.people > 0:  # also in a home whose own people are away
        reserve = 0.0 if standing.away is not None else s.reserve_l40
        target = min(reserve + guests_l40(s), _highest_l40(s))
        runs = _up_to(s, target)
        if runs:
            return Ruling(
                Rule.GUESTS_AND_AWAY,
                Reason("guests", {"people": standing.people, "until_tenths": s.in_tenths(target)}),
                runs,
            )
    if standing.away is not None and s.slot_now is None:
        return Ruling(Rule.GUESTS_AND_AWAY, Reason("away", {}))
    return None


def plan(s: Situation) -> Ruling:
    """Charge up to the plan's level for this slot; without a plan keep the reserve."""
    return _by_plan(s, _unplanned_tenths(s))


def _unplanned_tenths(s: Situation) -> int:
    """More less less, as far as the plan in force was made without: it counts wishes itself."""
    made = s.state.plan
    if made is None or s.slot_now is None:
        return s.standing.more_tenths
    later = [o for o in s.standing.in_force if int(o.made_at.timestamp()) > made.made_at_s]
    return sum(o.wish is Wish.MORE for o in later) - sum(o.wish is Wish.LESS for o in later)


def guests_l40(s: Situation) -> float:
    """By how much guests raise the reserve, L at 40 degC: what they draw in half a day."""
    return s.standing.people * draw_per_person_l40(s) / 2.0


def draw_per_person_l40(s: Situation) -> float:
    """Daily draw per person, L at 40 degC: of a usual week, or SAP 2012's 25 L at 60 degC.

    25 L of 60 degC water from 10 degC are 42 L at 40 degC. A forecast is of no use here: it counts
    the guests that are expected, and an absence.
    """
    week = s.state.week_l40
    if week:
        return sum(map(sum, week)) / 7.0 / s.settings.tunables.occupants
    return 25.0 * 50.0 / 30.0


JUDGES: dict[Rule, Judge] = {
    Rule.HARD_LIMITS: hard_limits,
    Rule.FAIL_SAFE: fail_safe,
    Rule.MAINTENANCE_HOLD: maintenance_hold,
    Rule.HYGIENE: disinfecting.judge,
    Rule.OVERRIDE: override,
    Rule.GUESTS_AND_AWAY: guests_and_away,
    Rule.PLAN: plan,
}


def _by_plan(s: Situation, more_tenths: int) -> Ruling:
    """What the plan asks for, as if the charge were so many tenths lower than it is."""
    made = s.state.plan
    if made is None or s.slot_now is None:
        reserve = max(0.0, s.reserve_l40 + more_tenths * s.plant.tenth_l40)
        target = reserve + WITHOUT_PLAN_TENTHS * s.plant.tenth_l40
        runs = _up_to(s, target, begin_l40=reserve)
        as_if_l40 = (s.charge_l40 or 0.0) + s.reserve_l40 - reserve
        hindered = None if runs else _hindered(s, as_if_l40, None)
        code = "no_plan_reserve" if runs else "no_plan_idle"
        without_plan = Reason(code, {"until_tenths": s.in_tenths(target)})
        return Ruling(Rule.PLAN, hindered or without_plan, runs)
    charge = max(0.0, (s.charge_l40 or 0.0) - more_tenths * s.plant.tenth_l40)
    running = tuple(n for n in made.source_names if s.running(n))
    runs_wanted: list[Run] = []
    reason: Reason | None = None
    highest = _highest_l40(s)
    unable = tuple(n for n in made.source_names if not _able(s, n))
    for order in scheduling.decide(
        made, s.now_s, charge, running=running, unable=unable, surplus_w=s.surplus_w
    ):
        source = s.usable_source(order.source, order.surplus_only)
        if source is None or (s.charge_l40 or 0.0) >= highest:
            continue
        set_c = s.plant.lowest_set_c if _lowest_will_do(s, made, order) else s.plant.set_c
        runs_wanted.append(Run(order.source, set_c, order.power_w, order.surplus_only))
        reason = reason or order.reason
    if reason is not None:
        return Ruling(Rule.PLAN, reason, tuple(runs_wanted))
    return Ruling(
        Rule.PLAN, _hindered(s, charge, made) or Reason("plan_idle", {}), blocks=_blocks(s)
    )


def _hindered(s: Situation, charge_l40: float, made: Plan | None) -> Reason | None:
    """What keeps a source from heating where there is less than there should be, if anything."""
    resting = ((n, s.rests_for(n)) for n in ORDER if n in s.plant.sources)
    name, why = next(((n, why) for n, why in resting if why), (None, None))
    if name is None:
        return None
    short = charge_l40 < s.reserve_l40 - BATCH_TENTHS * s.plant.tenth_l40
    if not (short and s.standing.away is None):
        others = tuple(n for n in made.source_names if n != name) if made else ()
        if made is None or not scheduling.decide(made, s.now_s, charge_l40, unable=others):
            return None
    return Reason("plan_hindered", {"source": name, "because": why})


def _lowest_will_do(s: Situation, made: Plan, order: Order) -> bool:
    """Whether the heat pump heats to the lowest set temperature now.

    The cooler the water it makes, the less electricity it takes. A charge that fits into the
    cylinder at that temperature must be drawn, for the better part, before it has cooled to use. A
    larger one begins so through a plate exchanger and goes on hotter; a coil's flow follows the
    water anyway. What is heated hotter goes on so.
    """
    plant = s.plant
    low_c, lease = plant.lowest_set_c, s.state.book.run_of("heat_pump")
    if order.source != "heat_pump" or low_c >= plant.set_c:
        return False
    if lease is not None and lease.set_c is not None and lease.set_c >= plant.set_c:
        return False
    fits_l40 = FITS_SHARE * usable.mixed_l(plant.cylinder.volume_l, low_c, cold_c(s))
    if (s.charge_l40 or 0.0) > fits_l40 or s.full(plant.sources["heat_pump"], low_c):
        return False
    if order.until_l40 > fits_l40:
        return plant.sources["heat_pump"].layout is Layout.PLATE
    soon = made.grid.end_s > s.now_s
    soon &= made.grid.start_s < s.now_s + 3600.0 * plant.lowest_lasts_h
    return float(made.expected_use_l40[soon].sum()) >= USED_SHARE * order.until_l40


def _able(s: Situation, name: SourceName) -> bool:
    """Whether a source may be used now, if only for surplus, and could add heat."""
    source = s.usable_source(name, surplus=True)
    return source is not None and s.has_room(source)


def _blocks(s: Situation) -> tuple[str, ...]:
    """What to ask not to run while the plan wants no heat and the reserve is surely there.

    A heat pump with a low set temperature to write rests, or its own control would charge
    whenever its sensor finds that the plan let the charge fall. Terminals, whose blocking is
    counted, only while it is dear; and only where commissioning showed that their states affect
    hot water alone, or a block would leave the rooms cold. What was released makes some more than
    the reserve before it rests again: its own control would start and stop around it.
    """
    made, slot, sure = s.state.plan, s.slot_now, s.sure_l40
    if made is None or slot is None or sure is None:
        return ()
    prices, held = made.import_per_kwh, s.state.book.leases
    dear = float(prices[slot]) >= DEAR_TIMES_MEAN * float(prices.mean()) > 0
    over_l40 = sure - s.reserve_l40
    released_l40 = BATCH_TENTHS * s.plant.tenth_l40
    may_block = s.plant.blockable if dear else s.plant.resting
    return tuple(n for n in may_block if over_l40 >= (0.0 if n in held else released_l40))


def _below(
    s: Situation, source: SourcePlant, charge_l40: float, level_l40: float, begin_l40: float
) -> bool:
    """Whether to heat towards a level: on until it is reached, begun only well below it."""
    if not s.has_room(source):
        return False
    return charge_l40 < (level_l40 if s.running(source.name) else begin_l40)


def _first(s: Situation, set_c: float) -> Run | None:
    for name in ORDER:
        source = s.usable_source(name)
        if source is not None and not s.full(source, set_c):
            return Run(name, min(set_c, source.limit_c))
    return None


def _up_to(s: Situation, target_l40: float, begin_l40: float | None = None) -> tuple[Run, ...]:
    """Heat up to a level with the first source that can, by the estimate's middle."""
    charge = s.charge_l40
    if charge is None:
        return ()
    begin = target_l40 - BATCH_TENTHS * s.plant.tenth_l40 if begin_l40 is None else begin_l40
    unanswered: tuple[Run, ...] = ()
    for name in ORDER:
        source = s.usable_source(name)
        if source is None or not s.has_room(source):
            continue
        if _below(s, source, charge, target_l40, begin):
            run = (Run(name, s.plant.set_c),)
            if s.answers(source):
                return run
            unanswered = unanswered or run
    return unanswered  # leases say why nothing comes of it


def _charge_to(s: Situation) -> Ruling | None:
    """Begin a charge by a time when the time left is what heating needs, with a margin."""
    wish = s.standing.charge_to
    if wish is None or wish.tenths is None or wish.until is None or s.charge_l40 is None:
        return None
    target = min(s.plant.litres(wish.tenths), _highest_l40(s))
    missing = target - s.charge_l40
    last = s.state.decision
    begun = last is not None and last.reason.code == "charge_to"  # what else runs ends by itself
    for name in ORDER:
        source = s.usable_source(name)
        if source is None or not s.has_room(source) or not s.answers(source):
            continue
        need_s = missing * kwh_per_l40(s) * 3.6e6 / s.heat_w(source)
        left = wish.until - s.now
        late = timedelta(seconds=need_s * LATEST_START_MARGIN) + timedelta(minutes=10)
        if not (begun and s.running(name)) and left > late:
            return None
        if _below(s, source, s.charge_l40, target, target - 0.2 * s.plant.tenth_l40):
            facts: Facts = {
                "tenths": min(wish.tenths, s.settings.tunables.highest_tenths),
                "until": wish.until.isoformat(timespec="minutes"),
                "source": name,
            }
            return Ruling(Rule.OVERRIDE, Reason("charge_to", facts), (Run(name, s.plant.set_c),))
        return None
    return None


def _highest_l40(s: Situation) -> float:
    """What is never charged beyond, L at 40 degC."""
    return s.plant.litres(s.settings.tunables.highest_tenths)


def kwh_per_l40(s: Situation) -> float:
    """Heat in a litre at 40 degC above today's cold inlet, kWh (1.156 Wh per litre and kelvin)."""
    return 1.156e-3 * (40.0 - cold_c(s))


def cold_c(s: Situation) -> float:
    """Today's cold inlet, degC."""
    return s.state.belief.cold_c

"""What pages say, as tables: the sentences and names for each code, in English.

A code has one or more sentences, from the fullest to the plainest; ``words`` says the first whose
facts are all known. Plan reasons have their own words in ``plan_words``, faults in ``fault_words``.
"""

from __future__ import annotations

from adapters.wiring import Form
from service.control.types import Rule

RULES: dict[Rule, tuple[str, str]] = {
    Rule.HARD_LIMITS: ("A hard limit", "The ceiling, allowed starts and minimum rests come first."),
    Rule.FAIL_SAFE: (
        "Fail-safe",
        "Ladle has let go. The cylinder is on its own thermostats until readings can be trusted.",
    ),
    Rule.MAINTENANCE_HOLD: (
        "Maintenance hold",
        "Nothing is commanded until a person ends the hold. This is not electrical isolation.",
    ),
    Rule.HYGIENE: ("Hygiene", "A thermal disinfection is due or under way."),
    Rule.OVERRIDE: ("Somebody's wish", "A person asked for more or less than the plan."),
    Rule.GUESTS_AND_AWAY: ("Guests or absence", "More or fewer people than usual."),
    Rule.PLAN: ("The plan", "The cheapest way to have the water there in time."),
}

LEADS: dict[str, tuple[str, ...]] = {
    "nothing_known_yet": ("Ladle has just started here and is waiting for its first readings.",),
    "charge_known_habits_not_yet": (
        "Hot water now: {usable_l40:about}. Ladle does not know the household's habits yet.",
        "Ladle does not know the household's habits yet.",
    ),
    "enough_for_next": (
        "Enough for {at:part}, {spare_l40:about} to spare.",
        "There is enough hot water.",
    ),
    "probably_enough_for_next": (
        "Probably enough for {at:part}: {likely_l40:about} are likely, of which "
        "{usable_l40:about} are seen for sure.",
        "Probably there is enough hot water.",
    ),
    "charging_before_next": (
        "Not yet enough for {at:part}: charging to {target_tenths} since {begun}.",
        "Not yet enough for {at:part}: charging to {target_tenths} is held back by {waits_for}.",
        "Not yet enough for {at:part}: charging to {target_tenths} from {window_start}.",
        "Not yet enough for {at:part}: charging to {target_tenths} is {under_way:name}.",
        "Not yet enough for {at:part}; charging is planned before.",
        "Charging is planned before the next use.",
    ),
    "short_for_next": (
        "It may run short {at:part}: {usable_l40:about} can be counted on, and "
        "{expected_l40:about} are usual by then, sometimes more.",
        "It may run short at the next use.",
    ),
    # what an installer reads in full among the decisions, here as a household needs it
    "at_ceiling": ("The cylinder is as hot as it may get, so nothing heats it for now.",),
    "stopping": ("Ladle is shutting down; the cylinder keeps itself hot by its own thermostats.",),
    "clock_cannot_be_right": (
        "Ladle's clock is wrong; the cylinder keeps itself hot by its own thermostats.",
    ),
    "broker_gone": ("No readings come in; the cylinder keeps itself hot by its own thermostats.",),
    "waiting_for_readings": (
        "Ladle is waiting for its first readings; the cylinder is on its own thermostats.",
    ),
    "readings_stale": (
        "No readings come in; the cylinder keeps itself hot by its own thermostats.",
    ),
    "readings_contradict": (
        "The readings cannot be trusted; the cylinder keeps itself hot by its own thermostats.",
    ),
    "hold": (
        "Held for maintenance by {by} since {since}: nothing is commanded.",
        "Held for maintenance: nothing is commanded.",
    ),
    "disinfection_heating": (
        "The cylinder is being disinfected by heat, so its water gets hotter than usual.",
    ),
    "disinfection_holding": (
        "The cylinder is being disinfected by heat, so its water is hotter than usual.",
    ),
}

CAUTIONS: dict[str, tuple[str, ...]] = {
    "hotter_than_usual": (
        "The water in the cylinder is hotter than usual, up to {hottest_c}, and can scald. Run "
        "cold first and test it before anybody gets in or under.",
        "The water in the cylinder is hotter than usual and can scald. Run cold first and test it "
        "before anybody gets in or under.",
    ),
    "flush_after_absence": (
        "The house stood empty. The cylinder is being looked after, but pipes and outlets are "
        "not: flush every tap and shower before use, following local guidance.",
    ),
}

SAFETY: tuple[str, ...] = (
    "Stored hot water can scald. Test the water before a bath, above all for children and "
    "frail people.",
    "Water that is kept too cool for long can grow Legionella. The installer sets how often the "
    "cylinder is disinfected by heat; local guidance comes first.",
    "Ladle controls comfort and cost only. The cylinder's own thermostats, its "
    "non-self-resetting cut-outs, relief valves and mixing valves stay in charge and in series "
    "with it. They must never be bridged.",
    "Cylinder, valves and wiring are fitted and serviced by licensed people to local codes.",
)

FORMS: dict[Form, str] = {
    Form.ON_OFF: "On or off",
    Form.SET_TEMPERATURE: "Set temperature",
    Form.DIVERTER: "PV diverter: permission and target",
    Form.TERMINALS: "Two smart-grid contacts",
}

RELEASED_BY: dict[str, str] = {
    "own_timer": "its own timer",
    "heartbeat": "a watchdog on the heartbeat",
    "hard_wired": "hard wiring",
    "nobody": "nobody",
}

DECISIONS: dict[str, tuple[str, ...]] = {
    # hard limits
    "at_ceiling": (
        "Everything is released: a probe stands at {hottest_c}, and the ceiling is {ceiling_c}.",
        "Everything is released: a probe stands at the ceiling.",
    ),
    # fail-safe
    "stopping": ("Ladle is shutting down; the cylinder is on its own thermostats.",),
    "clock_cannot_be_right": (
        "The clock says it is the year {year:plain}, which cannot be; the cylinder is on its own "
        "thermostats.",
        "The clock cannot be right; the cylinder is on its own thermostats.",
    ),
    "broker_gone": ("The broker is gone; the cylinder is on its own thermostats.",),
    "no_probe": ("No probe is wired, so Ladle only watches.",),
    "waiting_for_readings": (
        "Waiting for the first reading of {signals:name}; nothing is switched before.",
        "Waiting for the first readings; nothing is switched before.",
    ),
    "readings_stale": (
        "No fresh reading of {signals:name}; the cylinder is on its own thermostats.",
        "Readings are stale; the cylinder is on its own thermostats.",
    ),
    "readings_contradict": (
        "The readings contradict each other ({signals:name}); the cylinder is on its own "
        "thermostats. Check the topics and heights of these probes, then the sensors.",
        "The readings contradict each other; the cylinder is on its own thermostats.",
    ),
    "no_estimate": ("The charge is not known yet; the cylinder is on its own thermostats.",),
    # maintenance hold
    "hold": (
        "Maintenance hold by {by} since {since}: nothing is commanded until a person ends it.",
        "Maintenance hold: nothing is commanded until a person ends it.",
    ),
    # hygiene
    "disinfection_heating": (
        "Thermal disinfection: heating until {probe:name} stands at {disinfect_c}.",
        "Thermal disinfection: heating.",
    ),
    "disinfection_holding": (
        "Thermal disinfection: {probe:name} has held {disinfect_c} for {held_s} of {hold_s}.",
        "Thermal disinfection: the temperature is held.",
    ),
    "disinfection_refused_no_mixing_valve": (
        "Thermal disinfection is refused: no mixing valve is recorded.",
    ),
    "disinfection_refused_no_probe": (
        "Thermal disinfection is refused: no probe is named that could measure it.",
    ),
    "disinfection_refused_probe_missing": (
        "Thermal disinfection is refused: {signals} should measure it and is not in the file any "
        "more. The installer names others in hygiene.probes, or puts the file right.",
        "Thermal disinfection is refused: a probe that should measure it is not in the file.",
    ),
    "disinfection_refused_ceiling": (
        "Thermal disinfection is refused: {disinfect_c} lies above the ceiling of {ceiling_c}.",
        "Thermal disinfection is refused: it lies above the ceiling.",
    ),
    "disinfection_refused_no_actuator": (
        "Thermal disinfection is refused: no actuator is wired, so Ladle only watches.",
    ),
    "disinfection_refused_no_source_reaches": (
        "Thermal disinfection is refused: no source can bring {probe:name} at {probe_height_m} to "
        "{disinfect_c}.",
        "Thermal disinfection is refused: no source reaches it at the lowest probe.",
    ),
    "disinfection_refused_power_limit": (
        "Thermal disinfection is refused: what gets hot enough takes more than the power limit of "
        "{power_limit_w}.",
        "Thermal disinfection is refused: what gets hot enough takes more than the power limit.",
    ),
    # wishes
    "more": (
        "Somebody asked for more: charging to {until_tenths}.",
        "Somebody asked for more.",
    ),
    "less": ("Somebody asked for less, so planned charging is left out.",),
    "charge_to": (
        "Somebody asked for {tenths} by {until}; the {source} begins in time.",
        "Somebody asked for a charge by a time.",
    ),
    # guests and away
    "guests": (
        "Guests are here: charging to {until_tenths}.",
        "Guests are here: the reserve is higher.",
    ),
    "away": ("Nobody is at home, so no charge is kept.",),
    "frost_protection": (
        "Nobody is at home and a probe stands at {coldest_c}: warming against frost.",
        "Nobody is at home: warming against frost.",
    ),
    # the plan
    "plan_idle": ("The charge is where the plan wants it; nothing runs.",),
    "plan_hindered": (
        "More is wanted than there is, but the {source} does not heat now: {because}.",
        "More is wanted than there is, but nothing may heat now.",
    ),
    "no_plan_reserve": (
        "There is no plan yet, so the reserve is kept: charging to {until_tenths}.",
        "There is no plan yet, so the reserve is kept.",
    ),
    "no_plan_idle": ("There is no plan yet; the reserve is there and nothing runs.",),
}

# Why a draw-off came cold, and what mends it.
COLD: dict[str, tuple[tuple[str, ...], str]] = {
    "held": (
        (
            "A maintenance hold by {by} stood from {since} to {ended}: nothing was commanded.",
            "A maintenance hold by {by} had stood since {since}: nothing was commanded.",
        ),
        "End the hold when the work is done. Let the installer see whether the cylinder's own "
        "thermostats are set to keep water hot meanwhile.",
    ),
    "away": (
        (
            "An absence until {until} was on record, by {by}, so no charge was kept; it was ended "
            "only {ended}.",
            "An absence until {until} was on record, by {by}, so no charge was kept.",
            "An absence was on record, so no charge was kept.",
        ),
        "Who comes back early ends the absence on the household's page some hours before.",
    ),
    "away_but_guests": (
        (
            "An absence until {until} was on record, by {by}, so a charge was kept for the guests "
            "alone; it was ended only {ended}.",
            "An absence until {until} was on record, by {by}, so a charge was kept for the guests "
            "alone.",
        ),
        "Who is at home beside the guests ends the absence on the household's page.",
    ),
    "let_go": (
        ("Ladle had let go for {lasted_s} of the twelve hours before, since {since}: {because}.",),
        "Mend what it names. Let the installer see whether the cylinder's own thermostats are set "
        "to keep water hot meanwhile.",
    ),
    "unwatched": (
        ("Ladle was off, or heard nothing, from {since} to {until}.",),
        "Let Ladle and its computer start again by themselves after a failure. Let the installer "
        "see whether the cylinder's own thermostats are set to keep water hot meanwhile.",
    ),
    "more_than_full": (
        (
            "From {since} on {drawn_l40} at 40\u00a0°C had been drawn; the cylinder holds "
            "{full_l40} when it is full.",
        ),
        "Leave time between baths for heating. Where this happens often, a higher set temperature "
        "or a larger cylinder holds more; ask the installer.",
    ),
    "less": (
        ("The household had asked for less, by {tenths:plain} in ten, since {since}.",),
        "Go back to the plan on the household's page, or ask for less for a shorter time.",
    ),
    "more_than_expected": (
        (
            "From {since} on {drawn_l40} at 40\u00a0°C had been drawn; by this household's habits "
            "{expected_l40:about} were expected then.",
        ),
        "Say guests on the household's page before they come, or ask for a charge by a time. A new "
        "habit is learned within some weeks; until then a larger reserve helps.",
    ),
    "more_than_guests": (
        (
            "From {since} on {drawn_l40} at 40\u00a0°C had been drawn; with the guests counted in "
            "{expected_l40:about} were expected then.",
        ),
        "Say one guest more next time, or ask for a charge by a time.",
    ),
    "quiet": (
        ("The heat pump does not heat in its quiet hours, {quiet_from} to {quiet_until}.",),
        "Shorten the quiet hours or raise the reserve in the settings.",
    ),
    "held_back": (
        ("Heating was held back for {lasted_s} of the twelve hours before by {waits_for}.",),
        "Look at that limit in the settings, with the installer.",
    ),
    "not_in_time": (
        ("Heating had begun only {begun_s} before, {since}.",),
        "A larger reserve, or a charge by a time, leaves more time to heat.",
    ),
    "charge_mixes": (
        (
            "A charge had begun {begun_s} before, {since}, with {charge_l40} at 40\u00a0°C in the "
            "cylinder: a charging pump of fixed flow mixes what is hot with colder water before it "
            "makes more.",
        ),
        "Ask for a charge by a time, so that it is over before. Ask the installer whether the "
        "pump's flow can be set so that hot water returns.",
    ),
    "accepted": (
        (
            "The plan knew of it: the chance of running short was {short_chance}. Comfort is set "
            "to {comfort}.",
            "Comfort is set to {comfort}, which accepts lukewarm water now and then.",
        ),
        "Set comfort higher, or raise the reserve, in the settings.",
    ),
    "unexplained": (
        ("Nothing on record explains it.",),
        "Look at the mixing valve, at the settings of the shower itself, and whether the highest "
        "probe sits where the file says.",
    ),
}

DEMAND_NOTES: dict[str, str] = {
    "holiday": "A public holiday is coming; it is forecast like the day it resembles.",
    "guests": "Guests are counted in.",
    "away": "Nobody is expected to be at home for part of the time.",
    "habits_changed": "The last two weeks do not look like those before: habits seem "
    "to have changed.",
    "absence_noticed": "Hardly anything was drawn lately: the house seems empty.",
}

LOSES: dict[str, str] = {
    "no_probe_no_charge": "Without a probe the charge cannot be known, and nothing is commanded.",
    "one_probe_wide_band": "With one probe the charge is known only roughly, so less is promised "
    "than is probably there.",
    "no_flow_meter_draws_from_profile": "Without a flow meter draws are read from the cooling of "
    "the cylinder; single small ones go unseen.",
    "no_cold_inlet_seasonal_guess": "Without a cold-inlet sensor its temperature is a guess by "
    "season that the probes correct, and litres at 40\u00a0°C are less sure.",
    "no_heat_pump_meter_effect_from_temperatures": "Without a meter on the heat pump, whether it "
    "runs is seen only from rising temperatures, its cost only from its data sheet.",
    "no_immersion_meter_effect_from_temperatures": "Without a meter on the immersion heater, "
    "whether it heats is seen only from rising temperatures.",
    "no_outdoor_seasonal_guess": "Without an outdoor sensor the heat pump's efficiency is "
    "reckoned from a guess by season.",
    "no_export_no_surplus": "Without an export meter PV surplus cannot be used or forecast.",
    "no_mixing_valve_no_disinfection": "No thermostatic mixing valve is recorded, so thermal "
    "disinfection is refused.",
}

NOTES: dict[str, str] = {
    "invented_history": "The history shown here is invented, to demonstrate Ladle. "
    "No such household exists.",
    "loopback_until_restart": "Ladle started without an access token, so it answers on this "
    "computer only. Make a token, then start Ladle again, to open it to the address in its file.",
    "other_cylinder": "The file names another cylinder than before. What was known of the old "
    "one is dropped: its water, its last thermal disinfection and how fast it was heated. The next "
    "disinfection is due within a day. Where a flow meter is fitted the immersion heater waits "
    "until enough water has flowed to fill it: open a tap.",
    "other_probes": "The file names other probes, or other heights, than before. What was learned "
    "of the old ones is dropped, and how fast the water was heated by them.",
    "other_heat_pump": "The file names another heat pump, or other figures of it, than before. "
    "Its faults, the plan made for it and how fast it heated are dropped.",
    "other_immersion": "The file names another immersion heater than before, or none. Its faults, "
    "the plan made for it and how fast it heated are dropped. One that was not there before waits, "
    "where a flow meter is fitted, until enough water has flowed to fill the cylinder: open a tap.",
    "step_failing": "The control step fails. Everything is released and the cylinder is on its own "
    "thermostats; the log says why.",
}

VERDICTS: dict[str, str] = {
    "too_early": "The forecast can be judged after {needed_days:plain} days; days so far: "
    "{days:plain}.",
    "too_sure": "The forecast has been too sure of itself lately: more was drawn than it thought "
    "likely. The plan keeps more in hand by itself; look at the learning window.",
    "no_better_than_last_week": "So far the forecast is no better than looking up last week: this "
    "household has few habits, or they have changed.",
    "trusted": "The forecast has earned trust over {days:plain} days: on average it is {bias_l40} "
    "off, of {mean_l40} a day.",
}

HYGIENE_STATES = {
    "running": "A thermal disinfection is under way",
    "refused": "Refused, see below",
    "overdue": "Overdue",
    "waiting": "In order",
    "first": "Not yet disinfected here",
}
DUE_BECAUSE = {
    "interval": "the longest interval",
    "lukewarm": "water was lukewarm for too long",
    "return": "somebody comes back after an absence",
    "first": "nothing is known of the time before",
}

AUTHORS = {
    "local": "somebody at this computer",
    "mqtt": "the home automation",
    "calendar": "the calendar",
}

NAMES = {  # of sources, and of slow work that fails
    "heat_pump": "heat pump",
    "immersion": "immersion heater",
    "learn": "learn from the draws",
    "forecast": "forecast the draws",
}

HINDERED = {  # why a source that is commanded at other times is not used now
    "quiet_hours": "these are its quiet hours",
    "power_limit": "it takes more than the power limit",
    "without_effect": "it did not when it was asked to, and is tried again later",
}
VERBATIM = frozenset({"running", "signals", "probe", "message", "with"})  # names, texts
HELD_BACK: dict[str, str] = {
    "minimum_run": "the minimum run",
    "minimum_rest": "the minimum rest",
    "starts_used_up": "the starts allowed in an hour",
    "power_limit": "the power limit",
    "water_runs": "water that runs just now: the charging pump would mix what is drawn with cold",
    "will_not_call": "the heat pump's own control, which would not call now",
    "block_used_up": "the longest blocking allowed in a day, which is used up",
    "drained": "the water, which has been drained and must flow in again first",
}
FACT_NAMES: dict[str, str] = {
    "charge_l40": "charge",
    "sure_l40": "at least",
    "hottest_c": "hottest probe",
    "waits_for": "held back by",
    "plan_made_at": "plan of",
    "watts": "electricity",
    "reaches_c": "hottest water to be had",
    "age_s": "age",
}

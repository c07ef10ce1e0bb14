"""Every reason a plan may give, and its facts.

Codes and facts are data: records and the API hand them on as they are, and pages make words of
them. Facts carry their unit in their name; a fact that is None was not known or does not apply.

=====================  ============================================================================
code                   meaning
=====================  ============================================================================
enough                 plan: the coming use is covered
tight                  plan: it is covered, with a chance of 10 to 35 % of running short
short_likely           plan: running short is likely, whatever is done
little_use             plan: hardly any use is expected soon
no_source              plan: no heat source may be commanded
surplus                window: PV surplus that would earn less than the heat saves later
negative_price         window: the grid pays for taking electricity
cheapest_before_use    window: the cheapest time before the use it is for
as_late_as_possible    window: other times cost the same; later loses least heat
cannot_wait            window: a cheaper time comes too late for the use before it
no_room_before         window: the store had no room for more at the cheaper time before
only_time              window: no other time is left before the use
asked                  window: somebody asked for this level
disinfection_cheapest  window: thermal disinfection where it costs least before its deadline
disinfection_late      window: thermal disinfection that cannot be finished by its deadline
below_base_stock       order: the charge fell below the level the plan holds at this time
=====================  ============================================================================
"""

from __future__ import annotations

PLAN_FACTS = (
    "use_from_s",
    "use_until_s",
    "use_l40",
    "spare_l40",
    "short_chance",
    "next_start_s",
    "next_end_s",
    "next_source",
    "next_tenths",
    "price_note",
    "estimated_from_s",
)
WINDOW_FACTS = (
    "source",
    "target_tenths",
    "target_l40",
    "full",
    "use_l40",
    "use_until_s",
    "short_without",
    "short_with",
    "price_per_kwh",
    "cost_per_100_l40",
    "electricity_kwh",
    "surplus_kwh",
    "other_start_s",
    "other_price_per_kwh",
    "other_wins_below_per_kwh",
    "skip_above_tenths",
    "price_estimated",
    "asked_by",
)
DISINFECTION_FACTS = (
    "due_s",
    "ends_s",
    "set_c",
    "hold_s",
    "price_per_kwh",
    "cost",
    "electricity_kwh",
)
FACTS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("enough", "tight", "short_likely", "little_use", "no_source"), PLAN_FACTS),
    **dict.fromkeys(
        (
            "surplus",
            "negative_price",
            "cheapest_before_use",
            "as_late_as_possible",
            "cannot_wait",
            "no_room_before",
            "only_time",
            "asked",
        ),
        WINDOW_FACTS,
    ),
    **dict.fromkeys(("disinfection_cheapest", "disinfection_late"), DISINFECTION_FACTS),
    "below_base_stock": ("target_tenths", "charge_tenths"),
}

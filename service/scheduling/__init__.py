"""From demand, prices, surplus, plant and limits to a plan with its reason. Pure."""

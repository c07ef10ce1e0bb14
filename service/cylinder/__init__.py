"""The cylinder: water, geometry, profile, usable water, sources, estimator. Pure."""

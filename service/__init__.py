"""The running service: physics, scheduling, control, records, API, pages, jobs, command line."""

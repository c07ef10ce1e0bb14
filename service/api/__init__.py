"""The REST API: every resource under its home, problem details for every error."""

"""The REST API: routers, schemas, roles, problem details."""

"""The household's page and the installer's pages, rendered on the server."""

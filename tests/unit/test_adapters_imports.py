"""Imports run one way: adapters know nothing of the service or the forecasting."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

FILES = sorted((Path(__file__).parents[2] / "adapters").glob("**/*.py"))


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_adapters_import_neither_service_nor_forecasting(file: Path) -> None:
    for node in ast.walk(ast.parse(file.read_text())):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        for name in names:
            assert name.partition(".")[0] not in ("service", "forecasting", "tests")

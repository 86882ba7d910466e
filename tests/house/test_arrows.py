"""Which way imports run."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

ROOT = Path(__file__).parents[2]
PURE = {"numpy", "scipy"}


def test_the_contracts_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The arrows declared in pyproject.toml hold, and every module of `service` has its layer."""
    monkeypatch.chdir(ROOT)
    assert lint_imports(no_cache=True) == EXIT_STATUS_SUCCESS


def test_the_method_needs_numbers_only() -> None:
    """`worker.method` imports numpy, scipy, the standard library and the catalogue's types, nothing else."""
    strangers = []
    for path in sorted((ROOT / "worker" / "method").glob("*.py")):
        for module in _imported(path):
            first = module.split(".")[0]
            ours = module.startswith(("worker.method", "service.catalogue"))
            if not ours and first not in PURE and first not in sys.stdlib_module_names:
                strangers.append(f"{path.name}: {module}")
    assert strangers == []


def test_one_module_reads_the_environment() -> None:
    """`os.environ` is read in `service/config.py` alone."""
    readers = [
        str(path.relative_to(ROOT))
        for room in ("service", "worker", "migrations")
        for path in sorted((ROOT / room).rglob("*.py"))
        if any(
            name in path.read_text(encoding="utf-8") for name in ("os.environ", "os.getenv", "from os import environ")
        )
    ]
    assert readers == ["service/config.py"]


def _imported(path: Path) -> list[str]:
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: imports are written in full"
            if node.module == "service":
                names += [f"service.{alias.name}" for alias in node.names]
            else:
                names.append(node.module or "")
    return names

"""The house's habits that a machine can check: size, names, one statement a file, sentences at the door."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = ("service", "worker", "migrations")
LONGEST = 400
BANNED = {
    "utils",
    "util",
    "helpers",
    "helper",
    "common",
    "misc",
    "base",
    "manager",
    "processor",
    "handler",
    "data",
    "info",
}


def _sources(*folders: str) -> list[Path]:
    found = [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]
    assert found
    return found


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", _sources(*ROOMS, "tests"), ids=_name)
def test_a_file_can_be_read_in_one_sitting(path: Path) -> None:
    """No file of Python has more than 400 lines."""
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGEST


def test_names_say_what_is_inside() -> None:
    """No module, folder, class or function carries a name that would fit anything."""
    bad = []
    for path in _sources(*ROOMS, "tests"):
        bad += [f"{_name(path)}" for part in path.relative_to(ROOT).with_suffix("").parts if part in BANNED]
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and (
                node.name.lower() in BANNED or node.name.startswith(("do_", "process_"))
            ):
                bad.append(f"{_name(path)}: {node.name}")
    assert bad == []


def test_each_statement_is_used_and_there() -> None:
    """Every `sql("noun/verb")` has its file, and every file is asked for by somebody."""
    folder = ROOT / "service" / "store" / "sql"
    there = {str(path.relative_to(folder).with_suffix("")) for path in folder.rglob("*.sql")}
    code = "\n".join(path.read_text(encoding="utf-8") for path in _sources("service/store"))
    asked = set(re.findall(r'\bsql\(\s*"([a-z0-9_/]+)"', code))
    mentioned = set(re.findall(r'"([a-z0-9_]+/[a-z0-9_]+)"', code))
    of_any_noun = set(re.findall(r'f"\{[a-z_.]+\}/([a-z0-9_]+)"', code))
    assert asked - there == set()
    assert {name for name in there - mentioned if name.split("/")[1] not in of_any_noun} == set()


def test_a_statement_is_alone_in_its_file() -> None:
    """A file of SQL holds one statement: psycopg sends no more than one with parameters."""
    folder = ROOT / "service" / "store" / "sql"
    several = []
    for path in folder.rglob("*.sql"):
        text = re.sub(r"--[^\n]*|'[^']*'|\$\$.*?\$\$", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        if len([part for part in text.split(";") if part.strip()]) != 1:
            several.append(_name(path))
    assert several == []


def test_what_the_method_and_the_store_offer_is_explained() -> None:
    """Every public function, class and module of the method and the store has a docstring."""
    silent = []
    for path in _sources("worker/method", "service/store"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if not ast.get_docstring(tree) and path.name != "__init__.py":
            silent.append(_name(path))
        for node in tree.body:
            public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
            if public and not ast.get_docstring(node):
                silent.append(f"{_name(path)}: {node.name}")
    assert silent == []


def test_each_test_says_what_it_proves() -> None:
    """Every test has a docstring: the requirement it proves."""
    silent = []
    for path in _sources("tests"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            is_test = isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
            if is_test and path.name.startswith("test_") and not ast.get_docstring(node):
                silent.append(f"{_name(path)}: {node.name}")
    assert silent == []

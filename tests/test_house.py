"""The house holds itself: style, types, import directions, sizes, layout, and what no file may say."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest

from tests.conftest import ROOT

LONGEST_FILE, LONGEST_FUNCTION = 450, 70
ALLOWED = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "constraints.txt"),
    *("recorder", "analysis", "firmware_notes", "tests", "recordings"),
}  # fmt: skip
BY_TOOLS = {"dist", "build", "venv", "warmspell-demo", "__pycache__"}
SOURCES = sorted(p for folder in ("recorder", "analysis") for p in (ROOT / folder).rglob("*.py"))


def run(*words: str) -> None:
    """Run a tool of the virtual environment; show what it says when it fails."""
    done = subprocess.run([sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_ruff_finds_nothing():
    run("ruff", "check", ".")


def test_the_code_is_formatted():
    run("ruff", "format", "--check", ".")


def test_both_packages_are_strictly_typed():
    run("basedpyright", "--pythonpath", sys.executable)


def test_imports_keep_their_direction():
    tool = Path(sys.executable).with_name("lint-imports" + (".exe" if sys.platform == "win32" else ""))
    done = subprocess.run([str(tool)], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_files_and_functions_stay_readable(path: Path):
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= LONGEST_FILE
    tree = ast.parse(text)
    assert ast.get_docstring(tree), "a module says what it is about"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert (node.end_lineno or 0) - node.lineno < LONGEST_FUNCTION, node.name


def public(body: list[ast.stmt]) -> list[ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef]:
    """Functions and classes of a module or a class that anybody may use."""
    named = [node for node in body if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)]
    return [node for node in named if not node.name.startswith("_")]


def test_public_names_have_docstrings():
    for path in SOURCES:
        for node in public(ast.parse(path.read_text(encoding="utf-8")).body):
            assert ast.get_docstring(node), f"{path.name}: {node.name}"
            for method in public(node.body) if isinstance(node, ast.ClassDef) else []:
                assert ast.get_docstring(method), f"{path.name}: {node.name}.{method.name}"


Function = ast.FunctionDef | ast.AsyncFunctionDef


def public_functions(path: Path) -> list[tuple[str, Function]]:
    """Functions and methods that anybody may call; commands and answers to a request speak for themselves."""
    found: list[tuple[str, Function]] = []
    for node in public(ast.parse(path.read_text(encoding="utf-8")).body):
        inside = public(node.body) if isinstance(node, ast.ClassDef) else [node]
        found += [(f"{path.name}: {node.name} {one.name}", one) for one in inside if not isinstance(one, ast.ClassDef)]
    of_click = ("command", "group")
    return [
        (name, one)
        for name, one in found
        if not any(isinstance(d, ast.Call) and getattr(d.func, "attr", "") in of_click for d in one.decorator_list)
        and [argument.arg for argument in one.args.args][:1] != ["request"]
    ]


def raised(node: ast.AST) -> set[str]:
    """Names of the errors that a function raises itself and does not catch; not those of functions inside it."""
    if isinstance(node, ast.Raise):
        return {node.exc.func.id} if isinstance(node.exc, ast.Call) and isinstance(node.exc.func, ast.Name) else set()
    inner = ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda
    if isinstance(node, ast.Try):
        caught = {one.id for h in node.handlers if h.type for one in ast.walk(h.type) if isinstance(one, ast.Name)}
        tried = set[str]().union(*(raised(child) for child in node.body)) - caught
        return tried.union(*(raised(child) for child in [*node.handlers, *node.orelse, *node.finalbody]))
    return set[str]().union(*(raised(child) for child in ast.iter_child_nodes(node) if not isinstance(child, inner)))


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_public_docstrings_name_the_errors_raised_and_no_parameter_that_is_gone(path: Path):
    for name, function in public_functions(path):
        told = ast.get_docstring(function) or ""
        if path.parent.name != "links" or function.name == "open_link":  # a link's methods: see the protocol
            assert [e for e in raised(function) if e.endswith("Error") and e not in told] == [], name
        arguments = {one.arg for one in ast.walk(function.args) if isinstance(one, ast.arg)}
        section = re.search(r"^Parameters\n-+\n(.*?)(?:\n\w+\n-+\n|\Z)", told, re.DOTALL | re.MULTILINE)
        for line in re.findall(r"^(\w[\w, *]*) : ", section[1] if section else "", re.MULTILINE):
            assert {one.strip(" *") for one in line.split(",")} <= arguments, name


def test_the_top_level_holds_what_was_agreed():
    names = {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and not p.name.endswith(".egg-info")}
    assert names - BY_TOOLS <= ALLOWED


def test_there_is_no_drawer_and_nothing_left_undone():
    assert not [p for p in SOURCES if p.stem in {"utils", "helpers", "misc", "common", "manager"}]
    undone = re.compile("TO" + "DO|FIX" + "ME|NotImplemented" + "Error")
    assert not [p.name for p in SOURCES if undone.search(p.read_text(encoding="utf-8"))]


def test_the_recorder_loops_over_no_sample_and_imports_no_analysis():
    for path in (ROOT / "recorder").rglob("*.py"):
        assert not re.search(r"^\s*(from|import) analysis", path.read_text(encoding="utf-8"), re.MULTILINE), path


def test_the_readme_runs_the_demo_and_the_tests_by_one_command_each():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "warmspell demo" in text
    assert "-m pytest" in text
    assert "python3 -m venv" in text
    assert "py -m venv" in text
    for words in ("passenger", "recover", "licensed practice"):
        assert words in text.lower()
    for link in re.findall(r"\]\((?!https?:)([^)#]+)\)", text):
        assert (ROOT / link).exists(), link


def test_a_help_page_exists_for_each_command_with_an_example():
    from analysis.commands import warmspell

    waiting: list[tuple[str, click.Command]] = list(warmspell.commands.items())
    for name, command in waiting:
        assert "Example:" in (command.help or ""), name
        for option in command.params:
            assert not isinstance(option, click.Option) or option.help, f"{name} {option.opts}"
        if isinstance(command, click.Group):
            waiting += [(f"{name} {own}", inner) for own, inner in command.commands.items()]

"""Documentation is generated or tested: tables, commands, options, links, paths, names."""

import ast
import importlib
import io
import re
import sys
import tokenize
import tomllib
from pathlib import Path

import pytest
import typer
from checkout import ROOT

from pipeline import errors
from pipeline.cli import app, season
from pipeline.tables import schema

PAGES = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def python_files(room: str) -> list[Path]:
    return sorted((ROOT / room).rglob("*.py"))


def commands():
    return typer.main.get_command(app.app).commands


def options(command) -> list[str]:
    names = [name for parameter in command.params for name in parameter.opts]
    return [name for name in names if name.startswith("--") and name != "--help"]


def test_the_table_page_is_current():
    page = (ROOT / "docs" / "tables.md").read_text(encoding="utf-8")
    assert page == schema.markdown(), "run: python -m pipeline.tables.schema > docs/tables.md"


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_and_option_is_in_the_readme(name):
    assert f"`{name}" in README
    assert f"batontrace {name} " in README
    undocumented = [option for option in options(commands()[name]) if option not in README]
    assert not undocumented


def test_every_option_of_the_program_is_in_the_readme():
    assert all(option in README for option in options(typer.main.get_command(app.app)))


def test_the_readme_invents_no_option():
    ours = {o for command in commands().values() for o in options(command)}
    ours |= set(options(typer.main.get_command(app.app))) | {"--help"}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README)) <= ours


def test_the_readme_lists_the_exit_codes():
    listed = re.search(r"Exit codes: (.*?)\.\n", README, re.DOTALL)[1]
    codes = {int(code) for code in re.findall(r"(?:^|, |,\n)(\d+) ", listed)}
    kinds = [*errors.BatontraceError.__subclasses__(), *errors.InputError.__subclasses__()]
    ends = {0, app.DEFECT, season.SOME_FAILED, season.INTERRUPTED}
    assert codes == {*ends, *(kind.exit_code for kind in kinds)}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    links = re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8"))
    assert [link for link in links if not (page.parent / link).exists()] == []


def test_the_sample_in_the_readme_is_there():
    named = re.findall(r"sample_tracks/\S+\.toml", README)
    assert named
    assert all((ROOT / path).is_file() for path in named)


# --- files and modules that are named in pages, docstrings and comments ---------------------

CODE = [path for room in ("pipeline", "sample_tracks", "tests") for path in python_files(room)]
FILES = [path.relative_to(ROOT).as_posix() for path in (*CODE, *PAGES)]
# What a name in a page may belong to, other than a module or a class of ours.
OUTSIDE = {*sys.stdlib_module_names, "dask", "numpy", "pa", "pandas", "pyarrow", "pytest", "scipy"}
SUFFIXES = {"csv", "css", "fit", "geojson", "h", "html", "js", "json", "md", "nmea", "parquet"}
SUFFIXES |= {"png", "py", "svg", "toml", "xlsx"}


def prose(path: Path) -> str:
    """What is written for people: a page, or the docstrings and comments of a module."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return text
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    comments = [token.string for token in tokens if token.type == tokenize.COMMENT]
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    nodes = [node for node in ast.walk(ast.parse(text)) if isinstance(node, documented)]
    return "\n".join([*comments, *(ast.get_docstring(node) or "" for node in nodes)])


def missing_files(text: str) -> list[str]:
    """Named Python files and pages that are not there; a name may leave out the front folders."""
    named = re.findall(r"(?<![\w./-])[\w./-]*\w\.(?:py|md)\b", text)
    names = {name.lstrip("./") for name in named}
    return sorted(n for n in names if not any(f"/{path}".endswith(f"/{n}") for path in FILES))


def missing_names(path: Path, text: str) -> list[str]:
    """Dotted names in backticks, such as `lake.read_lake`, that lead to nothing."""
    own = set(re.findall(r"\w+", path.read_text("utf-8"))) if path.suffix == ".py" else set()
    named = set(re.findall(r"`([A-Za-z_]\w*(?:\.[A-Za-z_]\w*)+)[`(]", text))
    return sorted(name for name in named if not leads_somewhere(name, path, own))


def leads_somewhere(name: str, path: Path, own: set[str]) -> bool:
    first, *rest = name.split(".")
    if first in OUTSIDE or rest[-1] in SUFFIXES or name in LITERALS:
        return True
    for n in range(len(rest) + 1, 0, -1):  # the longest part that is a module's name
        front = "/".join(name.split(".")[:n])
        modules = [f for f in MODULES if f"/{f}".endswith(f"/{front}")]
        if any(has(importlib.import_module(MODULES[f]), rest[n - 1 :]) for f in modules):
            return True
    classes = [m for m in MODULES if re.search(rf"(?m)^class {first}\b", SOURCE[m])]
    if any(has(importlib.import_module(MODULES[m]), [first, *rest]) for m in classes):
        return True
    return local(first, path) and rest[0] in own


def has(thing: object, names: list[str]) -> bool:
    """Whether a module or a class has an attribute; fields without a default count."""
    for name in names:
        fields = getattr(thing, "__annotations__", {})
        if not hasattr(thing, name) and name not in fields:
            return False
        thing = getattr(thing, name, None)
    return True


def local(name: str, path: Path) -> bool:
    """Whether the code of a module has a variable, a parameter or a field of this name."""
    if path.suffix != ".py":
        return False
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    stored = {n.id for n in nodes if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
    return name in stored | {n.arg for n in nodes if isinstance(n, ast.arg)}


def literals() -> set[str]:
    """Dotted words that are keys in files, such as batontrace.version."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in python_files("pipeline")]
    values = [n.value for t in trees for n in ast.walk(t) if isinstance(n, ast.Constant)]
    texts = {v.decode("latin-1") if isinstance(v, bytes) else v for v in values}
    return {v for v in texts if isinstance(v, str) and re.fullmatch(r"\w+(\.\w+)+", v)}


def module_names() -> dict[str, str]:
    """Path without suffix to the name by which a module is imported."""
    found = {}
    for path in CODE:
        parts = path.relative_to(ROOT).with_suffix("").parts
        parts = parts[:-1] if parts[-1] == "__init__" else parts
        found["/".join(parts)] = ".".join(parts) if parts[0] == "pipeline" else parts[-1]
    return found


LITERALS = literals()
MODULES = module_names()
SOURCE = {
    "/".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix("/__init__"): p.read_text(
        encoding="utf-8"
    )
    for p in CODE
}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_a_page_names_files_and_modules_that_are_there(page):
    text = page.read_text(encoding="utf-8")
    assert missing_files(text) == []
    assert missing_names(page, text) == []
    folders = re.findall(r"`((?:docs|tests|pipeline|schemas|sample_tracks)/[\w./-]+)`", text)
    assert [path for path in folders if not (ROOT / path).exists()] == []


@pytest.mark.parametrize("room", ["pipeline", "sample_tracks", "tests"])
def test_docstrings_and_comments_name_files_and_modules_that_are_there(room):
    wrong = {}
    for path in python_files(room):
        text = prose(path)
        if found := missing_files(text) + missing_names(path, text):
            wrong[path.relative_to(ROOT).as_posix()] = found
    assert wrong == {}


@pytest.mark.parametrize(
    "text",
    ["see store.py", "see `pipeline/lake.py`", "docs/rooms.md says", "as read/tables/lake.py has"],
)
def test_a_file_that_is_not_there_is_noticed(text):
    assert missing_files(text)
    assert missing_files("see lake.py, `tables/lake.py` and docs/tables.md") == []


@pytest.mark.parametrize(
    ("text", "noticed"),
    [
        ("`store.write_session`", True),
        ("`lake.read_everything(out)`", True),
        ("`pipeline.lake.Lake`", True),
        ("`Lake.rows`", True),
        ("`lake.read_lake(out)`", False),
        ("`tables.lake.Lake.curves`", False),
        ("`Lake.curves` and `pipeline.table`", False),
        ("`pandas.read_parquet` of `session.toml`", False),
    ],
)
def test_a_name_that_leads_nowhere_is_noticed(text, noticed):
    assert bool(missing_names(ROOT / "README.md", text)) is noticed


# --- the style of decisions -----------------------------------------------------------------

DECISIONS = sorted((ROOT / "docs" / "decisions").glob("*.md"))


def test_decisions_are_numbered_without_a_gap():
    assert [int(page.name[:4]) for page in DECISIONS] == list(range(1, len(DECISIONS) + 1))


@pytest.mark.parametrize("page", DECISIONS, ids=lambda page: page.name)
def test_a_decision_has_its_parts_in_order(page):
    text = page.read_text(encoding="utf-8")
    assert text.startswith(f"# {int(page.name[:4])}. ")
    assert re.findall(r"(?m)^\*\*(\w+)", text)[:2] == ["Status", "Question"]
    parts = [w for w in re.findall(r"(?m)^\*\*(\w+)\b", text) if w in PARTS]
    assert parts == PARTS
    assert re.search(r"\*\*Status\.\*\* \w+, \d{4}-\d{2}-\d{2}", text)


PARTS = ["Status", "Question", "Decision", "Why", "Price"]


# --- the wheel ------------------------------------------------------------------------------


def test_every_folder_with_modules_is_a_package_of_the_wheel():
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
    folders = {path.parent.relative_to(ROOT) for path in python_files("pipeline")}
    packages = {".".join(folder.parts) for folder in folders} | {"pipeline.schemas"}
    assert sorted(listed["packages"]) == sorted(packages)

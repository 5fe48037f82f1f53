"""The package with the lowest versions it states, and with the newest there are.

    python tests/tools/try_versions.py            # lowest on the oldest Python, newest on newest
    python tests/tools/try_versions.py lowest     # one of the two

For each a fresh virtual environment is made, the package is installed in it, every command is run
on sample sessions, and a few quick tests are. What pyproject.toml states as `name>=X` is `name==X`
in the lowest; what those need in turn is the newest that pip finds, as for anybody who has old
versions already. A Python that is not on this machine is named and left out.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SUPPORTED = ("3.11", "3.12", "3.13", "3.14")
EXTRAS = ("cluster", "notebook", "xlsx")
TEST_LIBRARIES = ("hypothesis", "pymap3d", "pytest", "pytest-xdist")
SESSION = "larch-straight"
TESTS = ("advise/test_laws.py", "advise/test_orders.py", "base/test_signals.py", "cli/test_cli.py",
         "read/practice/test_session.py", "tables/test_schema.py")  # fmt: skip
NOT_TO_BE_HAD = re.compile(r"No matching distribution|NewConnectionError|Read timed out|ProxyError")
PINNED = re.compile(r"([A-Za-z0-9_.-]+(?:\[[a-z]+\])?)>=([0-9.]+)")


def main(wanted: Sequence[str]) -> int:
    """Exits 1 where something does not work."""
    found = find_pythons()
    for version in SUPPORTED:
        if version not in found:
            print(f"Python {version}: not on this machine, not tried")
    if not found:
        return 1
    cases = {"lowest": min(found, key=SUPPORTED.index), "newest": max(found, key=SUPPORTED.index)}
    good = [works(name, cases[name], found[cases[name]]) for name in wanted or cases]
    return int(not all(good))


def find_pythons() -> dict[str, str]:
    """The interpreters on this machine by version: on the path, or beside it as pyenv has them."""
    pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    found = {}
    for version in SUPPORTED:
        beside = sorted(pyenv.glob(f"{version}.*/bin/python"))
        candidates = [*map(str, beside), shutil.which(f"python{version}"), sys.executable]
        for python in filter(None, candidates):
            ask = "import ensurepip, ssl, sys; print('%d.%d' % sys.version_info[:2])"
            asked = subprocess.run([python, "-c", ask], capture_output=True, text=True, check=False)
            if asked.stdout.strip() == version:
                found[version] = python
                break
    return found


def requirements(kind: str) -> list[str]:
    """What is installed beside the package: as stated, or the lowest of what is stated."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    stated = [*project["dependencies"], *(line for name in EXTRAS for line in extras[name])]
    stated += [line for line in extras["test"] if PINNED.match(line)[1] in TEST_LIBRARIES]
    return [PINNED.sub(r"\1==\2", line) if kind == "lowest" else line for line in stated]


def works(kind: str, version: str, python: str) -> bool:
    """Whether the package installs and runs there; prints what does not."""
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="versions-") as name:
        folder = Path(name)
        if not succeeds([python, "-m", "venv", folder / "venv"], folder):
            return False
        fetched = run([*pip_install(folder), *requirements(kind)], folder)
        if missing := not_to_be_had(fetched):
            print(f"{kind} versions, Python {version}: not tried, pip says: {missing}", flush=True)
            return True
        if fetched.returncode:
            print(fetched.stdout[-4000:], flush=True)
            return False
        steps = [[*pip_install(folder), "--no-deps", "-e", ROOT], *job(folder)]
        good = all(succeeds(words, folder) for words in steps)  # up to the first that fails
    print(
        f"{kind} versions, Python {version}: {'ok' if good else 'FAILED'}, "
        f"{time.monotonic() - began:.0f} s",
        flush=True,
    )
    return good


def pip_install(folder: Path) -> list[str | Path]:
    pip = [folder / "venv" / "bin" / "python", "-m", "pip", "--disable-pip-version-check"]
    return [*pip, "install", "-q", "--no-compile"]


def job(folder: Path) -> Iterator[list[str | Path]]:
    """The main job as a user does it, then the tests."""
    python = folder / "venv" / "bin" / "python"
    shutil.copytree(ROOT / "sample_tracks" / SESSION, folder / "evenings" / SESSION)
    out, team = folder / "out", "heron,otter,rowan,stoat"
    for words in (
        ("--version",),
        ("marks", "--help"),
        ("template", folder / "mine"),
        ("check", folder / "evenings" / SESSION / "session.toml"),
        ("season", folder / "evenings", "--out", out),
        ("runners", out),
        ("marks", out, "--team", team, "--card", folder / "card.html"),
        ("order", out, "--team", team),
        ("progress", out),
        ("report", out),
        ("overlay", out, "--exchange", "1", "--to", folder / "first.svg"),
        ("overlay", out, "--exchange", "1", "--to", folder / "first.png"),
        ("export", out, "--to", folder / "takeovers.csv"),
        ("export", out, "--to", folder / "season.xlsx"),
    ):
        yield [python, "-m", "pipeline.cli", *words]
    made = ("mine/session.toml", "card.html", "first.svg", "first.png", "takeovers.csv")
    there = f"import os, sys; sys.exit(not all(map(os.path.getsize, {made!r})))"
    yield [python, "-c", there]
    tests = [ROOT / "tests" / name for name in TESTS]
    yield [python, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", "--rootdir", ROOT,
           "-c", ROOT / "pyproject.toml", *tests]  # fmt: skip


def not_to_be_had(fetched: subprocess.CompletedProcess[str]) -> str:
    """What pip says of packages that the index here has not, or that it cannot reach; else empty.

    A package that is there and cannot be installed is another matter: that is a failure.
    """
    lines = [line for line in fetched.stdout.splitlines() if NOT_TO_BE_HAD.search(line)]
    return lines[-1] if fetched.returncode and lines else ""


def run(words: Sequence[str | Path], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(word) for word in words],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
        text=True,
    )


def succeeds(words: Sequence[str | Path], folder: Path) -> bool:
    done = run(words, folder)
    if done.returncode:
        command = " ".join(str(word) for word in words)
        print(f"exit code {done.returncode}: {command}\n{done.stdout[-4000:]}", flush=True)
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Every check, for a person and for CI: python tests/run.py [--versions] [pytest's arguments].

Style, types, import contracts, the tests, and the wheel: built and tried where the source
cannot be reached. With --versions, which fetches packages, also the lowest and the newest versions
of the libraries (tools/try_versions.py). Goes on after a failure, so that one run shows all; exits
1 after any. Whatever is not the tests runs beside them, and says what it found as soon as it has
ended.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import tempfile
import time
import venv
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent
SOURCE = ("pipeline", "schemas", "pyproject.toml", "README.md", "LICENSE")
WHEEL_TESTS = ("tables/test_schema.py", "tables/test_writing.py", "cli/test_cli.py")
WHEEL_SUPPORT = ("support/random_tables.py", "support/stored_sessions.py")
WHEEL_OPTIONS = ("-q", "-p", "no:cacheprovider", "-k", "not kill")  # kills: once, from the source
SAMPLE = ROOT / "sample_tracks" / "larch-straight" / "session.toml"

# Where the tests write if there is room: they sync thousands of small files.
MEMORY, MEMORY_BYTES = Path("/dev/shm"), 4 << 30


def environment_of_checks() -> dict[str, str]:
    """The tests run in parallel processes: threads inside them would only get in each other's
    way. They start many more, which are to find bytecode."""
    found = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    found.pop("PYTHONDONTWRITEBYTECODE", None)
    if "TMPDIR" not in found and MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > MEMORY_BYTES:
        found["TMPDIR"] = str(MEMORY)
    return found


ENVIRONMENT = environment_of_checks()


def main(arguments: list[str]) -> int:
    began = time.monotonic()
    checks = [style_holds, types_hold, wheel_works]
    if "--versions" in arguments:
        checks.append(versions_work)
        arguments = [word for word in arguments if word != "--versions"]
    with ThreadPoolExecutor(len(checks)) as beside:
        others = [beside.submit(check) for check in checks]
        good = passes("tests", [sys.executable, "-m", "pytest", *arguments], shown=True)
    failed = [name for other in others for name in other.result()] + ["tests"] * (not good)
    print(
        f"{time.monotonic() - began:.0f} s, " + (f"failed: {', '.join(failed)}" if failed else "ok")
    )
    return bool(failed)


def passes(name: str, command: list[str | Path], cwd: Path = ROOT, *, shown: bool = False) -> bool:
    """Whether a command ends well. Its output is `shown` as it comes, or else if it fails."""
    if shown:
        print(f"--- {name}", flush=True)
    began = time.monotonic()
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        env=ENVIRONMENT,
        check=False,
        text=True,
        stdout=None if shown else subprocess.PIPE,
        stderr=None if shown else subprocess.STDOUT,
    )
    good = done.returncode == 0
    said = "" if good or shown else f"{done.stdout}\n"
    end = f"--- {name}: {'ok' if good else 'FAILED'}, {time.monotonic() - began:.0f} s"
    print(f"\n{said}{end}", flush=True)
    return good


def style_holds() -> list[str]:
    """Which checks fail; so do the next ones."""
    steps = {
        "style": [BIN / "ruff", "check", "."],
        "format": [BIN / "ruff", "format", "--check", "."],
        "imports": [BIN / "lint-imports"],
    }
    return [name for name, command in steps.items() if not passes(name, command)]


def types_hold() -> list[str]:
    return [] if passes("types", [BIN / "mypy"]) else ["types"]


def versions_work() -> list[str]:
    command = [sys.executable, ROOT / "tests" / "tools" / "try_versions.py"]
    return [] if passes("versions", command, shown=True) else ["versions"]


def wheel_works() -> list[str]:
    """Build the wheel from a copy, install it alone, run the tests that need nothing else."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_source(folder / "source")
        pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
        build = [*pip, "wheel", "-q", "--no-deps", "-w", folder / "wheels", folder / "source"]
        if not passes("wheel: build", build, folder):
            return ["wheel"]
        shutil.rmtree(folder / "source")
        python = environment(folder / "venv")
        wheel = next((folder / "wheels").glob("*.whl"))
        install = [*pip, "--python", python, "install", "-q", "--no-deps", "--no-index", wheel]
        if not passes("wheel: install", install, folder):
            return ["wheel"]
        (folder / "tests").mkdir()
        for file in (*WHEEL_TESTS, *WHEEL_SUPPORT):
            shutil.copy(ROOT / "tests" / file, folder / "tests")
        where = "import pipeline, sys; sys.exit(sys.prefix not in pipeline.__file__)"
        test = [python, "-m", "pytest", *WHEEL_OPTIONS, folder / "tests"]
        command = [python, "-m", "pipeline.cli", "process", SAMPLE, "--out", folder / "out"]
        page = [python, "-m", "pipeline.cli", "report", folder / "out"]  # needs package files
        good = (
            passes("wheel: is what is imported", [python, "-c", where], folder)
            and passes("wheel: tests", test, folder)
            and passes("wheel: a sample session", command, folder)
            and passes("wheel: its page", page, folder)
        )
        return [] if good else ["wheel"]


def copy_source(target: Path) -> None:
    target.mkdir()
    for name in SOURCE:
        if (ROOT / name).is_dir():
            ignored = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / name, target / name, ignore=ignored)
        else:
            shutil.copy(ROOT / name, target / name)


def environment(folder: Path) -> Path:
    """A virtual environment that sees this one's libraries, but not its editable install."""
    venv.create(folder, with_pip=False)
    python = folder / "bin" / "python"
    if not python.exists():
        python = folder / "Scripts" / "python.exe"
    ask = "import sysconfig; print(sysconfig.get_path('purelib'))"
    asked = subprocess.run([python, "-c", ask], capture_output=True, text=True, check=True)
    # A folder named in a .pth file has its own .pth files, such as the editable install's, ignored.
    ours = Path(asked.stdout.strip()) / "libraries.pth"
    ours.write_text(sysconfig.get_path("purelib") + "\n")
    return python


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

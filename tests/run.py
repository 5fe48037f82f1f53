"""Every check, for a person and for CI: python tests/run.py [pytest's arguments].

Style, types, import contracts, the tests, and the wheel: built and tried where the source
cannot be reached. Goes on after a failure, so that one run shows all; exits 1 after any.
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
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent
SOURCE = ("pipeline", "schemas", "pyproject.toml", "README.md", "LICENSE")
WHEEL_TESTS = ("tables/test_schema.py", "tables/test_writing.py", "cli/test_cli.py")
WHEEL_SUPPORT = tuple(
    f"support/{name}.py" for name in ("random_tables", "shared_work", "stored_sessions")
)
SAMPLE = ROOT / "sample_tracks" / "larch-straight" / "session.toml"

# The tests run in parallel processes: threads inside them would only get in each other's way.
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def main(arguments: list[str]) -> int:
    steps = {
        "style": [BIN / "ruff", "check", "."],
        "format": [BIN / "ruff", "format", "--check", "."],
        "types": [BIN / "mypy"],
        "imports": [BIN / "lint-imports"],
    }
    failed = [name for name, command in steps.items() if not passes(name, command)]
    if not wheel_works():
        failed.append("wheel")
    if not passes("tests", [sys.executable, "-m", "pytest", *arguments]):
        failed.append("tests")
    if failed:
        print(f"failed: {', '.join(failed)}")
    return bool(failed)


def passes(name: str, command: list[str | Path], cwd: Path = ROOT) -> bool:
    print(f"--- {name}", flush=True)
    began = time.monotonic()
    done = subprocess.run([str(word) for word in command], cwd=cwd, env=ENVIRONMENT, check=False)
    print(f"    {'ok' if done.returncode == 0 else 'FAILED'}, {time.monotonic() - began:.0f} s")
    return done.returncode == 0


def wheel_works() -> bool:
    """Build the wheel from a copy, install it alone, run the tests that need nothing else."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_source(folder / "source")
        pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
        build = [*pip, "wheel", "-q", "--no-deps", "-w", folder / "wheels", folder / "source"]
        if not passes("wheel: build", build, folder):
            return False
        shutil.rmtree(folder / "source")
        python = environment(folder / "venv")
        wheel = next((folder / "wheels").glob("*.whl"))
        install = [*pip, "--python", python, "install", "-q", "--no-deps", "--no-index", wheel]
        if not passes("wheel: install", install, folder):
            return False
        (folder / "tests").mkdir()
        for file in (*WHEEL_TESTS, *WHEEL_SUPPORT):
            shutil.copy(ROOT / "tests" / file, folder / "tests")
        where = "import pipeline, sys; sys.exit(sys.prefix not in pipeline.__file__)"
        test = [
            python,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            "-k",
            "not kill",
            folder / "tests",
        ]
        command = [python, "-m", "pipeline.cli", "process", SAMPLE, "--out", folder / "out"]
        page = [python, "-m", "pipeline.cli", "report", folder / "out"]  # needs package files
        return (
            passes("wheel: is what is imported", [python, "-c", where], folder)
            and passes("wheel: tests", test, folder)
            and passes("wheel: a sample session", command, folder)
            and passes("wheel: its page", page, folder)
        )


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

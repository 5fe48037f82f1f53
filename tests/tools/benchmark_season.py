"""How long reading and a session take beside common readers and a notebook, in one run:
python tests/tools/benchmark_season.py [--quick] [--only reading,session] [--rounds 5]
    [--folder DIR]

Evenings of eight runners are made once and kept in --folder. Every measurement is a process of its
own on one thread, its imports not counted; those compared take turns, round by round. A figure is
the median, from the quickest to the slowest; ratios are of the processor's time in the same round,
which a busy machine disturbs less; memory is the largest a process came to. docs/performance.md
keeps what came out.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import math
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from checkout import ROOT
from hours import FORMATS, Evening, files, lasted_h, made

SECTIONS = ("reading", "text", "session", "stages", "cores", "scaling")
OURS = "batontrace"
KEPT = Path(tempfile.gettempdir()) / "batontrace-benchmark"
COPIES = 4
Job = Callable[[], Any]


class Measured(NamedTuple):
    """One measurement: how long on the wall's clock and the processor's, how much memory at most,
    what the job said of itself."""

    seconds: float
    cpu_s: float
    peak_mb: float
    said: Any


# --- jobs: each is prepared untimed, then run and timed ------------------------------------------


def _imported() -> None:
    """What the package loads late: pyarrow loads pandas, where there is one, with its first
    scalar. A process that has no need of pandas pays 50 MB for it all the same."""
    import pyarrow

    pyarrow.scalar(0)


def _notebooks_imported(suffix: str) -> None:
    """Likewise: pandas loads pyarrow and its own parsers of time with the first that need them."""
    import notebook

    for name in LIBRARIES[suffix]:
        importlib.import_module(name)
    with tempfile.NamedTemporaryFile(suffix=".csv", mode="w") as file:
        file.write(",".join(notebook.ACC) + "\n2026-05-12T17:20:00.000Z,0.0,0.0,0.0\n")
        file.flush()
        notebook.read_acc_csv(Path(file.name))


def ours(path: str) -> Job:
    from pipeline.read import read

    _imported()
    return lambda: _sizes(read(Path(path)))


def _sizes(recording: Any) -> list[int]:
    return [0 if part is None else len(part.t_s) for part in (recording.fixes, recording.imu)]


def notebooks(path: str) -> Job:
    """fitparse, gpxpy, tcxreader, pynmea2 or pandas, as tests/support/notebook.py calls them."""
    import notebook

    _notebooks_imported(Path(path).suffix)
    if path.endswith("-imu.csv"):
        wanted = [*notebook.ACC, "gyro_x_radps", "gyro_y_radps", "gyro_z_radps"]  # as we read
        return lambda: [0, len(notebook.read_acc_csv(Path(path), wanted))]
    if path.endswith(".csv"):
        return lambda: [len(notebook.read_fixes_csv(Path(path))), 0]
    reader = notebook.READ[Path(path).suffix]
    return lambda: [0 if part is None else len(part) for part in reader(Path(path))]


LIBRARIES = {
    ".fit": ("fitparse",), ".gpx": ("gpxpy",), ".tcx": ("tcxreader.tcxreader",),
    ".nmea": ("pynmea2",), ".csv": ("pandas",),
}  # fmt: skip
SENSORS = (("accelerometer_data", "accel"), ("gyroscope_data", "gyro"))


def fitparse_columns(path: str) -> Job:
    import fitparse

    def read() -> list[int]:
        found = {"gps_metadata": [], **{name: [] for name, _ in SENSORS}}
        for message in fitparse.FitFile(path).get_messages():
            if message.name in found:
                found[message.name].append(message.get_values())
        return _columns(found)

    return read


def fitdecode_columns(path: str) -> Job:
    import fitdecode

    def read() -> list[int]:
        found = {"gps_metadata": [], **{name: [] for name, _ in SENSORS}}
        with fitdecode.FitReader(path) as frames:
            for frame in frames:
                if isinstance(frame, fitdecode.FitDataMessage) and frame.name in found:
                    found[frame.name].append({f.name: f.value for f in frame.fields})
        return _columns(found)

    return read


def vendor_columns(path: str) -> Job:
    from garmin_fit_sdk import Decoder, Stream

    def read() -> list[int]:
        messages, _ = Decoder(Stream.from_file(path)).read()
        names = ("gps_metadata", *(name for name, _ in SENSORS))
        return _columns({name: messages[f"{name}_mesgs"] for name in names})

    return read


def fitfast_columns(path: str) -> Job:
    import fitfast

    return lambda: _columns(fitfast.parse(path))


def _columns(found: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[int]:
    """Messages as arrays: fixes one by one, samples of sensors laid end to end."""
    import numpy as np

    fixes = found["gps_metadata"]
    names = ("timestamp_ms", "position_lat", "position_long", "enhanced_speed")
    columns = [np.array([one[name] for one in fixes], float) for name in names]
    columns.append(np.array([_seconds(one["timestamp"]) for one in fixes]))
    felt = []
    for name, short in SENSORS:
        own = found[name]
        start = np.array([_seconds(m["timestamp"]) + m["timestamp_ms"] / 1e3 for m in own])
        at = start[:, None] + np.array([m["sample_time_offset"] for m in own]) / 1e3
        axes = [np.array([m[f"calibrated_{short}_{axis}"] for m in own]) for axis in "xyz"]
        felt.append([at.ravel(), *(axis.ravel() for axis in axes)])
    return [len(columns[0]), len(felt[0][0])]


def _seconds(stamp: Any) -> float:
    if not hasattr(stamp, "timestamp"):
        return float(stamp)
    from datetime import UTC

    return float((stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).timestamp())


def our_session(session: str) -> Job:
    from pipeline.session.process import make_session_tables

    _imported()

    def run() -> int:
        with tempfile.TemporaryDirectory() as out:
            return len(make_session_tables(Path(session), Path(out)).tables["exchanges"])

    return run


def notebooks_session(session: str) -> Job:
    import notebook

    _notebooks_imported(files(Path(session))[0].suffix)

    def run() -> int:
        with tempfile.TemporaryDirectory() as out:
            return len(notebook.process(Path(session), Path(out)))

    return run


def all_columns(session: str) -> Job:
    """Every file of a session into columns, and nothing else."""
    from pipeline.read import read
    from pipeline.read.practice.session import read_session

    _imported()
    specs = read_session(Path(session)).recordings
    return lambda: sum(sum(_sizes(read(s.path, s.columns, s.clock))) for s in specs)


# what `process` calls, by the stage it belongs to; what none of them takes is "between"
STAGES = {
    "read": (("session.process", "_read_all"),),
    "clock": (("measure.clock.ties", "tie"), ("session.process", "choose_units")),
    "find": (
        ("measure.traces", "project"), ("measure.finding", "candidates"),
        ("measure.finding", "across_axes"), ("measure.finding", "match"),
        ("measure.reps", "still_seconds"), ("measure.noise", "fit_slow_error"),
        ("measure.noise", "at_rest"), ("measure.noise", "still"),
    ),
    "build": (("measure.reps", "build_case"),),
    "solve": (("measure.reps", "solve_all"),),
    "curves": (("measure.takeovers", "measure_takeovers"),),
    "write": (
        ("session.rows", "exchanges_table"), ("session.rows", "speed_curves_table"),
        ("session.rows", "recordings_table"), ("session.process", "run_record"),
        ("tables.writing", "write_session"),
    ),
}  # fmt: skip


def stages(session: str) -> Job:
    """`process` with a watch on its stages: the processor's seconds of each, and the memory in
    use after it."""
    run, took, held = our_session(session), dict.fromkeys(STAGES, 0.0), {}
    depth = [0]  # a stage that calls another's function keeps the time to itself

    def watched(stage: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def watch(*args: Any, **options: Any) -> Any:
            began = time.process_time()
            depth[0] += 1
            try:
                return call(*args, **options)
            finally:
                depth[0] -= 1
                if depth[0] == 0:
                    took[stage] += time.process_time() - began
                    held[stage] = _memory_mb("VmRSS")

        return watch

    for stage, calls in STAGES.items():
        for module, name in calls:
            home = importlib.import_module(f"pipeline.{module}")
            setattr(home, name, watched(stage, getattr(home, name)))

    def timed() -> dict[str, Any]:
        began = time.process_time()
        takeovers = run()
        took["between"] = time.process_time() - began - sum(took.values())
        return {"took_s": took, "held_mb": held, "takeovers": takeovers}

    return timed


def two_cores(session: str, workers: str) -> Job:
    """COPIES of a session, shared by a season's processes; their start is counted."""
    from pipeline.season.engines import Processes

    def run() -> dict[str, float]:
        done = Processes(int(workers)).run(_one_of_many, [session] * COPIES)
        return {"worker_mb": max(peak for _, peak in done)}

    return run


def _one_of_many(session: str) -> float:
    our_session(session)()
    return _memory_mb("VmHWM")


JOBS: dict[str, Callable[..., Job]] = {
    job.__name__: job
    for job in (
        ours, notebooks, fitparse_columns, fitdecode_columns, vendor_columns, fitfast_columns,
        our_session, notebooks_session, all_columns, stages, two_cores,
    )
}  # fmt: skip


# --- measuring ----------------------------------------------------------------------------------


def _memory_mb(key: str) -> float:
    """VmHWM: the most this program has held (what the one before it in this process held, which
    getrusage would count too, left out); VmRSS: what it holds."""
    try:
        status = Path("/proc/self/status").read_text()
    except OSError:  # no Linux
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return float(status.split(f"{key}:")[1].split()[0]) / 1024


def child(name: str, *args: str) -> None:
    """Run a job in this process and print what it took, as JSON."""
    job = JOBS[name](*args)
    began, cpu_began = time.perf_counter(), time.process_time()
    said = job()
    took, cpu_took = time.perf_counter() - began, time.process_time() - cpu_began
    print(json.dumps(Measured(took, cpu_took, _memory_mb("VmHWM"), said)))


def measured(name: str, *args: object) -> Measured:
    """A job run in a fresh process."""
    here = Path(__file__).resolve()
    one = {f"{kind}_NUM_THREADS": "1" for kind in ("OMP", "OPENBLAS", "POLARS", "RAYON")}
    paths = [str(ROOT / "tests" / "support"), str(ROOT), os.environ.get("PYTHONPATH", "")]
    done = subprocess.run(
        [sys.executable, str(here), "--job", name, *map(str, args)],
        env={**os.environ, **one, "PYTHONPATH": os.pathsep.join(filter(None, paths))},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return Measured(*json.loads(done.stdout.splitlines()[-1]))


def in_turns(jobs: Mapping[str, tuple[object, ...]], rounds: int) -> dict[str, list[Measured]]:
    """Every job once a round, each round from another one on."""
    found: dict[str, list[Measured]] = {label: [] for label in jobs}
    labels = list(jobs)
    for turn in range(rounds):
        for label in labels[turn % len(labels) :] + labels[: turn % len(labels)]:
            found[label].append(measured(*jobs[label]))
    return found


def there(module: str) -> bool:
    return importlib.util.find_spec(module) is not None


# --- saying -------------------------------------------------------------------------------------


def spread(values: Sequence[float], digits: int = 3) -> str:
    """Median (smallest to largest)."""
    low, middle, high = min(values), statistics.median(values), max(values)
    if len(values) == 1:
        return f"{middle:.{digits}f}"
    return f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Markdown; figures, which are all but the first column, end flush."""
    lines = [headings, ["---", *["---:"] * (len(headings) - 1)], *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def beside(found: Mapping[str, Sequence[Measured]]) -> list[list[str]]:
    """A row a job: seconds, the processor's, how many times ours in the same round, memory."""
    rows = []
    for label, runs in found.items():
        times = [a.cpu_s / b.cpu_s for a, b in zip(runs, found[OURS], strict=True)]
        rows.append(
            [
                label,
                spread([one.seconds for one in runs]),
                spread([one.cpu_s for one in runs]),
                "1" if label == OURS else spread(times, 2),
                f"{max(one.peak_mb for one in runs):.0f}",
            ]
        )
    return rows


BESIDE = ("seconds", "of the processor", f"times {OURS}'s", "peak MB")


def exponent(x: Sequence[float], y: Sequence[float]) -> float:
    """Slope of the straight line through log y over log x: 1 where y grows as x does."""
    a, b = [math.log(value) for value in x], [math.log(value) for value in y]
    mean_a, mean_b = statistics.fmean(a), statistics.fmean(b)
    across = sum((p - mean_a) * (q - mean_b) for p, q in zip(a, b, strict=True))
    return across / sum((p - mean_a) ** 2 for p in a)


# --- sections -----------------------------------------------------------------------------------


class Run(NamedTuple):
    folder: Path
    rounds: int
    quick: bool

    def evening(self, format_: str = "fit", **changed: Any) -> Path:
        """An evening's session; --quick makes all of it a tenth as long with fewer runners."""
        one = Evening(format_, **changed)
        if self.quick:
            one = replace(
                one,
                hours=one.hours / 10, runners=max(2, one.runners // 2),
                takeovers=max(2, one.takeovers // 10),
            )  # fmt: skip
        return made(self.folder, one)


def reading(run: Run) -> str:
    path = files(run.evening())[0]
    others = {
        "fitparse": ("fitparse", "fitparse_columns"),
        "fitdecode": ("fitdecode", "fitdecode_columns"),
        "the vendor's reader": ("garmin_fit_sdk", "vendor_columns"),
        "fitfast, parse": ("fitfast", "fitfast_columns"),
    }
    jobs: dict[str, tuple[object, ...]] = {OURS: ("ours", path)}
    jobs |= {label: (job, path) for label, (module, job) in others.items() if there(module)}
    found = in_turns(jobs, run.rounds)
    fixes, felt = found[OURS][0].said
    size = path.stat().st_size / 1e6
    return (
        f"## One FIT file\n\n{size:.1f} MB: {fixes} fixes, {felt} samples each of acceleration and "
        f"turn rate, into columns.\n\n{table(('', *BESIDE), beside(found))}"
    )


def text(run: Run) -> str:
    parts = ["## One text file"]
    names = {"gpx": "gpxpy", "tcx": "tcxreader", "nmea": "pynmea2", "csv": "pandas"}
    for format_, library in names.items():
        if not there(library):
            continue
        own = files(run.evening(format_))
        kinds = {"fixes": own[0], "100 Hz": own[-1]} if format_ == "csv" else {"fixes": own[0]}
        for kind, path in kinds.items():
            jobs = {OURS: ("ours", path), library: ("notebooks", path)}
            what = f"{format_.upper()}, {kind}, {path.stat().st_size / 1e6:.1f} MB"
            head = (what, *BESIDE)
            parts.append(table(head, beside(in_turns(jobs, run.rounds))))
    return "\n\n".join(parts)


def session(run: Run) -> str:
    parts = ["## A whole session: `process` beside the notebook"]
    for format_ in FORMATS:
        if not all(there(name.split(".")[0]) for name in LIBRARIES[f".{format_}"]):
            continue
        path = run.evening(format_)
        jobs = {
            OURS: ("our_session", path), "notebook": ("notebooks_session", path),
            "its bytes into columns": ("all_columns", path),
        }  # fmt: skip
        found = in_turns(jobs, run.rounds)
        count = found[OURS][0].said
        size = sum(file.stat().st_size for file in files(path)) / 1e6
        what = f"{format_.upper()}, {lasted_h(path):.2f} h, {count} takeovers, {size:.0f} MB"
        parts.append(table((what, *BESIDE), beside(found)))
    return "\n\n".join(parts)


def by_stage(run: Run) -> str:
    found = in_turns({OURS: ("stages", run.evening())}, run.rounds)[OURS]
    whole = statistics.median(one.cpu_s for one in found)
    rows = []
    for stage in (*STAGES, "between"):
        took = [one.said["took_s"][stage] for one in found]
        held = [one.said["held_mb"].get(stage, math.nan) for one in found]
        share = f"{100 * statistics.median(took) / whole:.0f} %"
        rows.append([stage, spread(took), share, "-" if stage == "between" else f"{max(held):.0f}"])
    rows.append(["whole", spread([one.cpu_s for one in found]), "", ""])
    peak = max(one.peak_mb for one in found)
    head = ("stage", "seconds of the processor", "share", "MB held after it")
    return f"## Stages of a session\n\nPeak {peak:.0f} MB.\n\n{table(head, rows)}"


def cores(run: Run) -> str:
    path = run.evening()
    jobs = {f"{n} worker{'s' * (n > 1)}": ("two_cores", path, n) for n in (1, 2)}
    found = in_turns(jobs, run.rounds)
    alone = next(iter(found.values()))
    rows = [
        [
            label,
            spread([one.seconds for one in runs]),
            spread([a.seconds / b.seconds for a, b in zip(alone, runs, strict=True)], 2),
            f"{max(one.said['worker_mb'] for one in runs):.0f}",
        ]
        for label, runs in found.items()
    ]
    head = (f"{COPIES} sessions", "seconds", "times as quick", "peak MB of a worker")
    return f"## Two cores\n\nThis machine has {os.cpu_count()}.\n\n{table(head, rows)}"


GROWN: dict[str, tuple[dict[str, Any], ...]] = {
    "hours": ({"hours": 0.5}, {"hours": 1.0}, {"hours": 2.0}),
    "runners": ({"runners": 4}, {"runners": 8}, {"runners": 16}),
    "takeovers": ({"takeovers": 10}, {"takeovers": 20}, {"takeovers": 40}),
}


def scaling(run: Run) -> str:
    usual = {"hours": 1.0, "runners": 8, "takeovers": 20}
    paths = {
        (what, k): run.evening(**{**usual, **changed})
        for what, steps in GROWN.items()
        for k, changed in enumerate(steps)
    }
    once = {str(path): ("stages", path) for path in paths.values()}
    found = in_turns(once, run.rounds)
    rows, powers = [], []
    for what, steps in GROWN.items():
        x, y, measuring = [], [], []
        for k, changed in enumerate(steps):
            path, runs = paths[what, k], found[str(paths[what, k])]
            took = [one.cpu_s for one in runs]
            rest = [one.cpu_s - one.said["took_s"]["read"] for one in runs]
            x.append(lasted_h(path) if what == "hours" else float(changed[what]))
            y.append(statistics.median(took))
            measuring.append(statistics.median(rest))
            peak = max(one.peak_mb for one in runs)
            rows.append([f"{what} {x[-1]:.3g}", spread(took), spread(rest), f"{peak:.0f}"])
        powers.append(
            f"- time grows as {what}^{exponent(x, y):.2f}, reading left out as "
            f"{what}^{exponent(x, measuring):.2f}"
        )
    head = ("of " + ", ".join(f"{v:g} {k}" for k, v in usual.items()), "seconds of the processor",
            "reading left out", "peak MB")  # fmt: skip
    return "## How it grows\n\n" + table(head, rows) + "\n\n" + "\n".join(powers)


DONE: dict[str, Callable[[Run], str]] = {
    "reading": reading, "text": text, "session": session, "stages": by_stage, "cores": cores,
    "scaling": scaling,
}  # fmt: skip


def machine() -> str:
    import numpy
    import pyarrow
    import scipy

    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        lines = info.read_text().splitlines()
        model = next((x.split(": ")[1] for x in lines if x.startswith("model name")), model)
    return (
        f"{os.cpu_count()} cores {model}, {platform.system()}, Python {platform.python_version()}, "
        f"numpy {numpy.__version__}, scipy {scipy.__version__}, pyarrow {pyarrow.__version__}"
    )


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--quick", action="store_true", help="small evenings, one round")
    parser.add_argument("--only", default=",".join(SECTIONS), help=", ".join(SECTIONS))
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=KEPT, help="where evenings are kept")
    parser.add_argument("--job", nargs="+", help=argparse.SUPPRESS)
    asked = parser.parse_args(words)
    if asked.job:
        child(*asked.job)
        return 0
    chosen = asked.only.split(",")
    if unknown := sorted(set(chosen) - set(SECTIONS)):
        parser.error(f"--only {', '.join(unknown)}: there are {', '.join(SECTIONS)}")
    asked.folder.mkdir(parents=True, exist_ok=True)
    run = Run(asked.folder, 1 if asked.quick else asked.rounds, asked.quick)
    print(f"{machine()}; {run.rounds} rounds.\n", flush=True)
    for name in chosen:
        print(DONE[name](run), end="\n\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

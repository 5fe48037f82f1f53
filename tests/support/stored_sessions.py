"""A session's tables on disk: random ones to write, what lies there, a child that writes."""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pyarrow as pa
from random_tables import random_table

from pipeline.tables import schema

ASKED = {"inputs": {"robin.fit": "0" * 64}, "settings": {}, "versions": {}, "command": ["x"]}


def tables_of(session: str, seed: int = 1, rows: int = 3) -> dict[str, pa.Table]:
    return {name: random_table(name, session, rows, seed) for name in schema.TABLES}


def files_below(out: Path) -> dict[str, bytes]:
    return {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file()}


def run_child(script: str) -> subprocess.Popen:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    return subprocess.Popen([sys.executable, "-c", textwrap.dedent(script)], env=environment)

"""Where things lie in the checkout; one home for it. Importing it lets scripts find them too."""

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_tracks"
DATA = ROOT / "tests" / "data"

# pytest does this by itself (pyproject.toml); a script under tests/tools/ does not
for _folder in (
    SAMPLES,
    ROOT / "tests" / "support",
    ROOT / "tests" / "tools",
    ROOT,
):
    if str(_folder) not in sys.path:
        sys.path.insert(0, str(_folder))

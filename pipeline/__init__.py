"""Relay takeovers timed and measured from the track files runners' units write.

For notebooks: `import pipeline` offers what `pipeline.api.__all__` lists (docs/analysis.md). Each
function imports what it needs when it is called, so that importing costs nothing.
"""

from pipeline.api import *  # noqa: F403  the list of names stands once, in api.py
from pipeline.api import __all__ as __all__

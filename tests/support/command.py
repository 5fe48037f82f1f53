"""The command line, run in the test's own process."""

import contextlib
import io

from pipeline.cli import app


def run(*words: object) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    said, complained = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        code = app.main([str(word) for word in words])
    return code, said.getvalue(), complained.getvalue()

"""A task for other processes, which import as little as this."""

import os
import signal


def shout_or_die(task):
    if task == "deadly":
        os.kill(os.getpid(), signal.SIGKILL)
    if task == "bad":
        raise ValueError(task)
    return task.upper()

"""Claims in a bucket: of several seasons at once, one has a session, or the compacting, to itself.

A folder has locks of the operating system (tables/work_folder.py); a bucket has none, and pyarrow's
file systems cannot write an object on condition that it is not there yet. What a store does
promise is that a listing shows every object whose writing had ended when the listing began. So
each season first writes an object of its own and then lists:

    OUT/.batontrace/claims/<what is claimed>.<the season's token>

Who then sees no claim but its own has it. Of two that write at the same time, at least one sees the
other, so never both have it. The one with the smallest token waits for the others to give way.
A claim is written anew as long as it is held. One that is older than `MOST_AGE_S` was left by a run
that died, and is removed. Ages are told by the store's clock alone.
docs/decisions/0015-claims.md says why, and what remains possible.
"""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime

from pipeline.errors import BatontraceError
from pipeline.tables.places import Bucket
from pipeline.tables.work_folder import WORK_FOLDER

MOST_AGE_S = 300.0  # without being written anew
RENEW_S = 30.0
POLL_S = 5.0  # between two tries of a run that waits
CONTEST_S = 0.5  # between two looks, while others give way
_CONTEST_LOOKS = 6

_FOLDER = f"{WORK_FOLDER}/claims"


class BucketClaim:
    """A claim of this season that is held."""

    def __init__(self, bucket: Bucket, name: str) -> None:
        self._bucket = bucket
        self._name = name
        self._written_s = _write_claim(bucket, name)
        self._lost = False

    def renew(self) -> None:
        """Write the claim anew, unless another run may have taken it over."""
        if not self.is_held():
            self._lost = True
            return
        with contextlib.suppress(BatontraceError):  # the next time may succeed
            self._written_s = _write_claim(self._bucket, self._name)

    def is_held(self) -> bool:
        """Whether it is still there and young enough. A run that slept may have lost it.

        Raises InputError where the bucket is out of reach.
        """
        young = 0.0 <= time.time() - self._written_s < MOST_AGE_S
        return not self._lost and young and self._bucket.stat(self._name) is not None


@contextlib.contextmanager
def claim_in_bucket(
    bucket: Bucket, what: str, token: str, patience_s: float
) -> Iterator[BucketClaim | None]:
    """The claim on a session or on "season", kept up until the end of the block; None where
    another season has had it for `patience_s`.

    `token` is the season's own. Raises OutputError or InputError where the bucket is out of reach.
    """
    until = time.monotonic() + patience_s
    while (claim := _try_claim(bucket, what, token)) is None:
        if time.monotonic() >= until:
            yield None
            return
        time.sleep(POLL_S)
    ended = threading.Event()
    renewal = threading.Thread(target=_keep_renewing, args=(claim, ended), daemon=True)
    try:
        renewal.start()
        yield claim
    finally:
        ended.set()
        renewal.join()  # so that it does not write the claim again after its removal
        _remove_claim(bucket, _claim_name(what, token))


def remove_claims_of(bucket: Bucket, token: str) -> None:
    """Remove what processes of this season could not remove themselves when they were ended."""
    with contextlib.suppress(BatontraceError):
        for name in bucket.names(_FOLDER):
            if name.endswith(f".{token}"):
                bucket.remove(f"{_FOLDER}/{name}")


def _try_claim(bucket: Bucket, what: str, token: str) -> BucketClaim | None:
    name = _claim_name(what, token)
    try:
        claim = BucketClaim(bucket, name)
        for _ in range(_CONTEST_LOOKS):
            others = _others_tokens(bucket, what, token)
            if not others:
                return claim
            if min(others) < token:
                break
            # None of the others may have seen itself alone yet: they give way to this one.
            time.sleep(CONTEST_S)
    except BaseException:  # Ctrl-C as well
        _remove_claim(bucket, name)
        raise
    _remove_claim(bucket, name)
    return None


def _others_tokens(bucket: Bucket, what: str, token: str) -> list[str]:
    """The tokens of the others that claim the same; claims of dead runs are removed."""
    own = bucket.stat(_claim_name(what, token))
    tokens = []
    for name in bucket.names(_FOLDER):
        claimed, _, other = name.rpartition(".")
        if claimed != what or other == token:
            continue
        entry = bucket.stat(f"{_FOLDER}/{name}")
        if entry is None:
            continue
        if own is not None and own.mtime_ns - entry.mtime_ns > MOST_AGE_S * 1e9:
            _remove_claim(bucket, entry.name)
        else:
            tokens.append(other)
    return tokens


def _keep_renewing(claim: BucketClaim, ended: threading.Event) -> None:
    while not ended.wait(RENEW_S):
        with contextlib.suppress(BatontraceError):
            claim.renew()


def _claim_name(what: str, token: str) -> str:
    return f"{_FOLDER}/{what}.{token}"


def _write_claim(bucket: Bucket, name: str) -> float:
    """Write a claim, for whoever looks with the time in words; the time before that, in s."""
    now_s = time.time()
    content = {"claimed_utc": datetime.fromtimestamp(now_s, UTC).isoformat(timespec="seconds")}
    bucket.write("claim", {name: json.dumps(content).encode() + b"\n"})
    return now_s


def _remove_claim(bucket: Bucket, name: str) -> None:
    with contextlib.suppress(BatontraceError):  # it is removed by its age then
        bucket.remove(name)

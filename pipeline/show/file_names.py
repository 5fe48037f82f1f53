"""Names of the files in OUT/report: any file system takes them, and no two things share one."""

from __future__ import annotations

import hashlib
import re

from pipeline.show.request import PairIds
from pipeline.tables import folders


def pair_file_name(pair: PairIds, session: str | None, event: str | None) -> str:
    """The name of a pair's file, without its ending. An underscore divides its parts; besides, only
    a session's id may hold one."""
    name = f"pair-{pair_ids_name(*pair)}"
    if event is not None:
        name += f"_{_dashed_words(event)}"
    return name if session is None else f"{name}_in_{session_file_name(session)}"


def pair_ids_name(incoming: str, outgoing: str) -> str:
    """Two runners' ids as a name that any file system takes and no other pair has.

    It has small letters, digits and dashes. Where that changes an id, cuts it, or leaves open where
    the first ends, a part of the ids' hash is added.
    """
    safe = [_dashed_words(runner) for runner in (incoming, outgoing)]
    name = f"{safe[0]}-to-{safe[1]}"
    if safe == [incoming, outgoing] and all("-to-" not in f"-{part}-" for part in safe):
        return name
    return f"{name}_{_hash_part(f'{len(incoming)}:{incoming}{outgoing}')}"


def session_file_name(session: str) -> str:
    """A session's id as a name. An id that can name a folder stays as it is; any other is changed
    and gets a part of its hash."""
    if folders.SAFE_ID.fullmatch(session):
        return session
    return f"{_dashed_words(session)}_{_hash_part(session)}"


def _dashed_words(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40]


def _hash_part(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:10]

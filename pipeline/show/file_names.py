"""Names of the files in OUT/report: any file system takes them, and no two things share one."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.language.phrases import phrase
from pipeline.show.request import PairIds
from pipeline.tables import folders

SEASON_FILE_NAME = "season"


@dataclass(frozen=True)
class PageLinks:
    """Relative links to the pages that lie beside a page; None for one that is not there.

    `there` are the names of the files, endings included.
    """

    there: frozenset[str] = frozenset()

    def _to(self, name: str) -> str | None:
        file = f"{name}.html"
        return file if file in self.there else None

    def session(self, session: str) -> str | None:
        return self._to(f"session-{session_file_name(session)}")

    def pair(self, incoming: str, outgoing: str) -> str | None:
        return self._to(pair_file_name((incoming, outgoing), None, None))

    def order(self, event: str) -> str | None:
        return self._to(order_file_name(event))

    def race(self, session: str, race: str) -> str | None:
        return self._to(race_file_name(session, race))

    def runner(self, runner: str) -> str | None:
        return self._to(runner_file_name(runner))

    def picture(self, file: str) -> str | None:
        return file if file in self.there else None

    def to_season(self) -> tuple[tuple[str, str], ...]:
        """The season's page, with its name."""
        where = self._to(SEASON_FILE_NAME)
        return () if where is None else ((where, phrase("The season")),)

    def from_session(self, session: str, races: Iterable[str]) -> tuple[tuple[str, str], ...]:
        """The season's page and those of a session's races, with their names."""
        found = [(self.race(session, race), phrase("Race {race}", race=race)) for race in races]
        return (*self.to_season(), *((where, name) for where, name in found if where is not None))


def order_file_name(event: str) -> str:
    """The name of the page of a relay's orders, without its ending."""
    return f"order-{_one_word(event)}"


def race_file_name(session: str, race: str) -> str:
    """The name of a race's page, without its ending."""
    return f"race-{_one_word(race)}_in_{session_file_name(session)}"


def runner_file_name(runner: str) -> str:
    """The name of a runner's page, without its ending."""
    return f"runner-{_one_word(runner)}"


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


def _one_word(text: str) -> str:
    """A word from outside as a name; where that changes it, a part of its hash is added."""
    safe = _dashed_words(text)
    return safe if safe == text and safe else f"{safe}_{_hash_part(text)}"


def _dashed_words(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40]


def _hash_part(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:10]

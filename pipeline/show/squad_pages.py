"""From a lake of tables to the pages beside those of a session and a pair: the season's, an
order's, a race's, a runner's, and all of them together.

Each function reads OUT and nothing else, and writes whole files or none.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from pipeline.show.file_names import SEASON_FILE_NAME
from pipeline.show.page.season_page import SEASON_TABLES, season_page
from pipeline.show.page_tables import decision_sources, read_decisions
from pipeline.show.report_files import (
    WrittenFile,
    check_page_name,
    links_beside,
    write_report_file,
)
from pipeline.tables import lake
from pipeline.tables.places import Out


def write_season_page(
    out: Out, *, to: Path | None = None, planned: Collection[str] = ()
) -> WrittenFile:
    """Write the season's page. It links to those that lie beside it, and to the files `planned`.

    Raises UsageError where `to` is not a name for a page, InputError where no session can be read,
    OutputError where the page cannot be written.
    """
    check_page_name(to)
    found = lake.read_lake(out, with_curves=False)
    decisions, left_out = read_decisions(found, SEASON_TABLES)
    legs, lost = lake.read_legs(out)
    remarks = (*found.remarks, *left_out, *lost)
    pairs = zip(legs["session"].to_pylist(), legs["race"].to_pylist(), strict=True)
    text = season_page(
        found.exchanges.to_pylist(),
        lake.session_ids(out),
        decisions,
        races=tuple(dict.fromkeys(pairs)),
        links=links_beside(out, to, planned),
        about=decision_sources(found, SEASON_TABLES),
        remarks=remarks,
    )
    path = write_report_file(out, f"{SEASON_FILE_NAME}.html", to, text.encode("utf-8"))
    return WrittenFile(path, len(found.exchanges), remarks)

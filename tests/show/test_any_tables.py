"""Whatever the tables hold that their schemas allow, each of the squad's pages is whole."""

import pytest
from html_page import Page
from random_tables import random_table

from pipeline.show.file_names import PageLinks
from pipeline.show.page.order_page import order_page
from pipeline.show.page.race_page import race_page
from pipeline.show.page.runner_page import runner_page
from pipeline.show.page.season_page import season_page
from pipeline.tables import schema


@pytest.mark.parametrize("seed", range(12))
def test_random_tables_make_whole_pages(seed):
    """Rows by lot, with every column null that may be, of a few runners and two relays."""
    decisions = {name: drawn_rows(name, seed) for name in schema.DECISIONS}
    takeovers, legs = drawn_rows("exchanges", seed), drawn_rows("legs", seed)
    links = PageLinks(frozenset({"session-otter.html", "season.html"}))
    events = {row["event"] for row in (*takeovers, *decisions["orders"])}
    runners = {row["incoming"] for row in takeovers}
    texts = [
        season_page(takeovers, ["otter"], decisions, races=[("otter", "heat")], links=links,
                    link=lambda *_: "pair.html", about={}),
        race_page(legs, takeovers, decisions, link=lambda *_: None, about={}),
        *(order_page(one, decisions, link=lambda *_: None, about={}) for one in events),
        *(runner_page(one, takeovers, decisions, about={}) for one in runners),
    ]  # fmt: skip
    for text in texts:
        page = Page(text)
        assert page.tags.count("main") == 1
        assert "nan" not in page.text.replace("cannot", "")
        assert "None" not in page.text, page.text[page.text.index("None") - 60 :][:120]


def drawn_rows(name: str, seed: int):
    """Twelve rows of a table, whose runners are three and whose relays are two."""
    rows = [
        row | {"session": row.get("session") or "otter"}
        for row in random_table(name, "otter", 12, seed).to_pylist()
    ]
    who, relays = ("otter", "heron", "rowan", "stoat"), ("4x100", "4x400")
    for k, row in enumerate(rows):
        people = [key for key in ("incoming", "outgoing", "runner", "leg1", "leg2", "leg3", "leg4")
                  if row.get(key) is not None]  # fmt: skip
        row |= {key: who[(k + place + seed) % 4] for place, key in enumerate(people)}
        if "event" in row and name != "validation":
            row["event"] = relays[(k + seed) % 2]
        if "race" in row and row["race"] is not None:
            row["race"] = "heat"
        if name in ("orders", "race_parts", "verdicts"):
            row |= {key: k for key in ("rank", "part", "exchange") if key in row}
    return rows

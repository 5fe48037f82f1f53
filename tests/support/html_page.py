"""A page read back with the standard library's HTML parser."""

import html.parser

VOID = {"meta", "input"}


class Page(html.parser.HTMLParser):
    """The page's elements in order, its text as shown, and the cells of its tables row by row."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.opened: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.hidden: list[bool] = []  # of the open elements, whether one has that attribute
        self.rows: list[list[str]] = []
        self.text, self.style, self.script = "", "", ""
        self.source = text
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.opened.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
            self.hidden.append("hidden" in dict(attrs))
        if tag == "tr":
            self.rows.append([])
        if tag in ("th", "td"):
            self.rows[-1].append("")
        if tag in ("p", "li", "h1", "h2", "h3", "h4", "div"):
            self.handle_data(" ")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag
        self.hidden.pop()

    def handle_comment(self, data):
        raise AssertionError(f"a comment: {data}")

    def handle_data(self, data):
        if self.open and self.open[-1] == "script":
            self.script += data
            return
        if self.open and self.open[-1] == "style":
            self.style += data
            return
        if any(self.hidden):
            return
        self.text += data
        if {"th", "td"} & set(self.open):
            self.rows[-1][-1] += data

    @property
    def tags(self) -> list[str]:
        return [tag for tag, _ in self.opened]

    def grid(self) -> list[list[str]]:
        return [[" ".join(cell.split()) for cell in row] for row in self.rows]

    def cell(self, team, incoming, outgoing) -> str:
        return self.grid()[1 + team.index(incoming)][1 + team.index(outgoing)]

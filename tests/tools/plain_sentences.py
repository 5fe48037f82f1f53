"""The sentences of the rooms that speak plain English, found by reading their code.

A literal or an f-string counts as a sentence when it has words in it and stands where people may
get to read it. What is joined inside one function, `"after" if late else "before"`, a local name
for a piece, `count(n, "rep")`, an `or "none"`, is multiplied out, so that the catalogue has each
whole sentence. What cannot be multiplied out is a half, and is told by `halves`.
"""

from __future__ import annotations

import ast
import functools
import itertools
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.language.reading import FOUND, JOINED, SENTENCE

ROOT = Path(__file__).parents[2]
ROOMS = ("read", "measure", "advise", "session", "tables", "season", "base")
MODULES = ("errors.py", "api.py")
SPEAKING = ("cli", "show")  # whose errors alone are plain: they are reworded where they are printed

MOST_WAYS = 16  # of one f-string: more are no sentence but a grammar

# What nobody is told, by where it stands in the code.
DEAF_CALLS = {
    # patterns
    "compile", "fullmatch", "sub", "match", "search", "findall", "finditer",
    # pieces that are looked for in texts, keys, formats of dates and numbers
    "startswith", "endswith", "split", "rsplit", "strip", "lstrip", "rstrip", "replace",
    "removeprefix", "removesuffix", "partition", "rpartition", "find", "index", "encode",
    "decode", "strftime", "strptime", "hasattr", "maketrans", "translate",
    "cast", "open", "joinpath", "field", "TypeVar", "getLogger", "environ", "dtype", "astype",
    "column", "Value", "sort_by", "join_asof", "group_by", "add_format", "add_argument",
    "namedtuple",
}  # fmt: skip

# How many first arguments are keys; what follows is said where there is no such key.
LOOKING_UP = {"get": 1, "pop": 1, "setdefault": 1, "getattr": 2}
DEAF_KEYWORDS = {"pattern", "sep", "prefix", "suffix", "encoding", "errors", "newline"}

_CONTAINERS = (
    ast.Tuple, ast.List, ast.Set, ast.Dict, ast.Starred, ast.IfExp, ast.BinOp, ast.BoolOp
)  # fmt: skip

# Modules whose texts are written into files for programs, which stay English.
FOR_FILES = {
    "tables/data_package.py": "the description of an exported folder: facts of the tables",
    "read/csv/quantities.py": "spellings of headers and units",
}

# Functions that write such texts, in modules that speak as well.
FILE_WRITERS = {
    "tables/schema.py": ("markdown", "_markdown_keys", "_markdown_versions", "_markdown_row"),
    "tables/export.py": ("_column_meanings",),
    "session/new_session.py": ("session_text", "_file_text", "_switched_off"),
    "session/device_files.py": ("recording_entry",),
    "session/arrivals.py": ("_notes",),
}

# Tables of spellings that are read, not said, and one whose keys are said.
SPELLINGS = {"_BARE_WORDS", "_NUMBERED", "_WIDTHS", "WORD_CELLS", "_FULL_SPEED"}
SAID_KEYS = {"_PARTS", "_CHANCES", "_ODDS", "_EVEN"}

# Vocabularies of the tables that people read: the column in `schemas/*.json` that has them.
VOCABULARIES = (
    "outcome", "pass_basis", "drill", "technique", "hand", "cause", "event", "kind", "verdict",
    "quantity", "role", "use", "start_basis",
)  # fmt: skip

# Words that are said, in tables at the head of a module.
SAID_WORDS = {"base/words.py": ("_NUMBER_WORDS", "_CAUSE_WORDS")}

# Sentences that a former version wrote into tables which are still read: their English.
FORMER: tuple[str, ...] = (
    "the smallest gap between the trunks, {gap_m} m, and the rest do not agree "
    "({z} standard errors)",
    "set off {look} m of the other's run too soon",
    "set off {look} m of the other's run too late",
    "nearly level with the second order: better than it with a chance of {chance}",
    "visual change: no check mark, so no lag; the start is at chosen pace",
    "it read nought at about {nought} UTC and runs {rate} ± {sd} ppm slow",
    "it read nought at about {nought} UTC and runs {rate} ± {sd} ppm fast",
    "{id}: its clock is tied to ± {sd} s by {tied} rows and runs {rate} ± {sd2} ppm slow",
    "{id}: its clock is tied to ± {sd} s by {tied} rows and runs {rate} ± {sd2} ppm fast",
)


@dataclass(frozen=True)
class PlainSentence:
    """A sentence of a lower room: its English with places for values, and where it stands."""

    english: str
    place: str


@dataclass(frozen=True)
class Half:
    """A piece of a sentence that is joined where the tool cannot follow."""

    text: str
    place: str


@dataclass(frozen=True)
class _Place:
    name: str


_Way = tuple[str | _Place, ...]


# --- what reads ------------------------------------------------------------------------


def plain_sentences(root: Path = ROOT) -> Iterator[PlainSentence]:
    """The sentences of all lower rooms, the words of their vocabularies, and the former ones."""
    for path in plain_modules(root):
        yield from _reader_of(root, path).sentences()
    for room in SPEAKING:
        for path in sorted((root / "pipeline" / room).rglob("*.py")):
            yield from _reader_of(root, path).in_errors()
    yield from vocabulary(root)
    for sentence in (*JOINED.values(), SENTENCE):
        yield PlainSentence(sentence, "pipeline/language/reading.py")
    for word in (*FOUND, "seconds"):
        yield PlainSentence(word, "pipeline/read/practice")
    for sentence in FORMER:
        yield PlainSentence(sentence, "tables of former versions")


def halves(root: Path = ROOT) -> list[Half]:
    """Pieces of sentences that are joined where no whole sentence can be made of them."""
    return [half for path in plain_modules(root) for half in _reader_of(root, path).halves()]


def plain_modules(root: Path) -> list[Path]:
    rooms = [path for room in ROOMS for path in sorted((root / "pipeline" / room).rglob("*.py"))]
    return [*rooms, *(root / "pipeline" / name for name in MODULES)]


def vocabulary(root: Path) -> Iterator[PlainSentence]:
    """The words that the tables' columns may hold, where people read them."""
    for path in sorted((root / "schemas").glob("*.json")):
        for column in json.loads(path.read_text("utf-8"))["columns"]:
            if column["name"].removeprefix("main_") in VOCABULARIES:
                for word in column.get("values", ()):
                    yield PlainSentence(word, str(path.relative_to(root)))


@functools.cache
def _reader_of(root: Path, path: Path) -> _Reader:
    return _Reader(root, path)


class _Reader:
    """One module's sentences."""

    def __init__(self, root: Path, path: Path) -> None:
        self.place = path.relative_to(root / "pipeline").as_posix()
        self.root, self.tree = root, _tree_of(path)
        self.parents: dict[ast.AST, ast.AST] = {}
        self.texts: list[ast.AST] = []
        self._look_through(self.tree)
        self.constants = _constants_of(self.tree, root)
        self.joined: set[ast.AST] = set()  # pieces that became part of a whole sentence

    def _look_through(self, tree: ast.AST) -> None:
        todo = [tree]
        while todo:
            node = todo.pop()
            children = list(ast.iter_child_nodes(node))
            self.parents.update((child, node) for child in children)
            self.texts += [child for child in children if _is_text(child)]
            todo += children

    def sentences(self) -> Iterator[PlainSentence]:
        yield from (PlainSentence(text, place) for text, place in self._whole())

    def in_errors(self) -> Iterator[PlainSentence]:
        """The sentences that errors are made of."""
        for node, ways in self._expressions():
            if self._is_in_error(node):
                for text in map(_english, ways):
                    if is_sentence(text) and not is_half(text):
                        yield PlainSentence(text, f"pipeline/{self.place}")

    def _is_in_error(self, node: ast.AST) -> bool:
        while isinstance(parent := self.parents[node], (*_CONTAINERS, ast.keyword)):
            node = parent
        name = getattr(getattr(parent, "func", None), "id", "")
        return name.endswith("Error") and name not in ("ValueError", "TypeError", "KeyError")

    def halves(self) -> Iterator[Half]:
        for node, ways in self._expressions():
            place = f"pipeline/{self.place}:{node.lineno}"
            if len(ways) > MOST_WAYS:
                yield Half(ast.unparse(node), place)
            for way in ways:
                text = _english(way)
                if is_sentence(text) and is_half(text):
                    yield Half(text, place)

    def _whole(self) -> Iterator[tuple[str, str]]:
        for name in SAID_WORDS.get(self.place, ()):
            for word in ast.literal_eval(self.constants[name]).values():
                yield word, f"pipeline/{self.place}"
        for _, ways in self._expressions():
            for way in ways:
                text = _english(way)
                if is_sentence(text) and not is_half(text):
                    yield text, f"pipeline/{self.place}"

    @functools.cache  # noqa: B019  a reader lives as long as the reading of one module
    def _expressions(self) -> list[tuple[ast.expr, list[_Way]]]:
        if self.place in FOR_FILES:
            return []
        tops = [node for node in self.texts if self._is_top(node)]
        found = [(node, self._ways(node)) for node in tops]
        return [(node, ways) for node, ways in found if node not in self.joined]

    def _is_top(self, node: ast.AST) -> bool:
        """Whether a text is not a part of a longer one, and may be read."""
        parent = self.parents[node]
        if isinstance(parent, ast.FormattedValue | ast.JoinedStr):
            return False
        if isinstance(parent, ast.IfExp | ast.BinOp | ast.BoolOp) and self._is_part(node, parent):
            return False
        return not self._is_deaf(node)

    def _is_part(self, node: ast.AST, parent: ast.AST) -> bool:
        return _is_text(parent) and not (isinstance(parent, ast.IfExp) and parent.test is node)

    def _is_deaf(self, node: ast.AST) -> bool:
        if self._scope_names(node) & set(FILE_WRITERS.get(self.place, ())):
            return True
        if self._head_name(node) in SPELLINGS:
            return True
        while isinstance(parent := self.parents[node], _CONTAINERS):
            if isinstance(parent, ast.Set):  # spellings that are looked for
                return True
            if isinstance(parent, ast.Dict) and node in parent.keys:
                return self._head_name(node) not in SAID_KEYS
            node = parent
        match parent:
            case ast.Expr() | ast.Compare() | ast.MatchValue():
                return True
            case ast.Subscript(slice=index):
                return index is node
            case ast.AnnAssign(annotation=annotation):
                return annotation is node
            case ast.Attribute(attr=method):  # of a text: only what it joins is a sentence
                return method != "format"
            case ast.Call(func=func, args=args):
                name = getattr(func, "id", getattr(func, "attr", ""))
                if name in LOOKING_UP:
                    return node in args[: LOOKING_UP[name]]
                return name in DEAF_CALLS
            case ast.keyword(arg=name):
                return name in DEAF_KEYWORDS
            case ast.FunctionDef() | ast.arg() | ast.arguments():
                return True
        return False

    def _head_name(self, node: ast.AST) -> str:
        """The name that is given at the head of the module to what a node belongs to."""
        while node in self.parents and self.parents[node] is not self.tree:
            node = self.parents[node]
        targets = [node.target] if isinstance(node, ast.AnnAssign) else getattr(node, "targets", [])
        return next((one.id for one in targets if isinstance(one, ast.Name)), "")

    def _scope_names(self, node: ast.AST) -> set[str]:
        names = set()
        while node in self.parents:
            node = self.parents[node]
            if isinstance(node, ast.FunctionDef):
                names.add(node.name)
        return names

    # --- multiplying out ---------------------------------------------------------------

    def _ways(self, node: ast.AST, seen: tuple[str, ...] = ()) -> list[_Way]:
        """All texts that an expression may give, with places where only a run can tell."""
        match node:
            case ast.Constant(value=str(text)):
                return [(text,)]
            case ast.JoinedStr(values=values):
                return self._product([self._ways(value, seen) for value in values])
            case ast.FormattedValue(value=value, format_spec=None):
                return self._value_ways(value, seen)
            case ast.FormattedValue(value=value):
                return [(_Place(_name_of(value)),)]
            case ast.IfExp(body=body, orelse=other):
                return [*self._value_ways(body, seen), *self._value_ways(other, seen)]
            case ast.BoolOp(op=ast.Or(), values=values):
                return [way for value in values for way in self._value_ways(value, seen)]
            case ast.BinOp(op=ast.Add(), left=left, right=right):
                return self._product([self._value_ways(left, seen), self._value_ways(right, seen)])
            case ast.BinOp(op=ast.Mult(), left=ast.Constant(value=str(text))):
                return [(text,), ("",)]
        return [(_Place(_name_of(node)),)]

    def _value_ways(self, node: ast.AST, seen: tuple[str, ...]) -> list[_Way]:
        """The same for a value inside a sentence, which may be a name of a text."""
        if _is_text(node):
            ways = self._ways(node, seen)
            self.joined.update(ast.walk(node))
            return ways
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "count":
            match node.args:
                case [number, ast.Constant(value=str(what))]:
                    self.joined.update(ast.walk(node))
                    place = _Place(_name_of(number))
                    return [(place, f" {what}"), (place, f" {what}s")]
        if isinstance(node, ast.IfExp | ast.BoolOp):  # of names: texts where they stand for some
            ways = self._ways(node, seen)
            if all(any(isinstance(part, str) for part in way) for way in ways):
                return ways
        if isinstance(node, ast.Name) and node.id not in seen:
            texts = self._texts_named(node)
            if texts:
                before = set(self.joined)
                ways = [way for text in texts for way in self._value_ways(text, (*seen, node.id))]
                if self._stands_alone(node):
                    self.joined = before
                if len(ways) <= MOST_WAYS:
                    return list(dict.fromkeys(ways))
        return [(_Place(_name_of(node)),)]

    def _texts_named(self, name: ast.Name) -> list[ast.expr]:
        """What a name stands for, where all of it is text written in this function or at the head
        of a module; else nothing."""
        scope = self._scope(name)
        stores = self._stores(scope).get(name.id, [])
        is_argument = isinstance(scope, ast.FunctionDef) and name.id in {
            one.arg for one in [*scope.args.args, *scope.args.kwonlyargs]
        }
        if is_argument:
            return []
        if not stores:
            constant = self.constants.get(name.id)
            return [constant] if constant is not None and _is_text(constant) else []
        values = []
        for store in stores:
            parent = self.parents[store]
            is_plain = isinstance(parent, ast.AnnAssign) or (
                isinstance(parent, ast.Assign) and parent.targets == [store]
            )
            value = getattr(parent, "value", None) if is_plain else None
            if value is None or not _is_text(value):
                return []
            values.append(value)
        return values

    def _stands_alone(self, name: ast.Name) -> bool:
        """Whether what a name stands for is also said elsewhere than inside other sentences."""
        return any(
            isinstance(one, ast.Name)
            and one.id == name.id
            and isinstance(one.ctx, ast.Load)
            and isinstance(self.parents[one], ast.Call | ast.Return | ast.Tuple | ast.List)
            for one in ast.walk(self._scope(name))
        )

    @functools.cache  # noqa: B019  a reader lives as long as the reading of one module
    def _stores(self, scope: ast.AST) -> dict[str, list[ast.Name]]:
        found: dict[str, list[ast.Name]] = {}
        for one in ast.walk(scope):
            if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store):
                found.setdefault(one.id, []).append(one)
        return found

    def _scope(self, node: ast.AST) -> ast.AST:
        while node in self.parents and not isinstance(node, ast.FunctionDef):
            node = self.parents[node]
        return node

    def _product(self, parts: Sequence[list[_Way]]) -> list[_Way]:
        return [tuple(itertools.chain(*one)) for one in itertools.product(*parts)]


def _constants_of(tree: ast.Module, root: Path) -> dict[str, ast.expr]:
    """The names at the head of a module, those that it imports from other modules included."""
    out: dict[str, ast.expr] = {}
    for node in tree.body:
        match node:
            case ast.Assign(targets=[ast.Name(id=name)], value=value):
                out[name] = value
            case ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value):
                out[name] = value
            case ast.ImportFrom(module=str(module), names=names) if module.startswith("pipeline"):
                path = root / (module.replace(".", "/") + ".py")
                if path.exists():
                    theirs = _constants_of_file(path, root)
                    out |= {one.asname or one.name: theirs[one.name] for one in names
                            if one.name in theirs}  # fmt: skip
    return out


@functools.cache
def _constants_of_file(path: Path, root: Path) -> Mapping[str, ast.expr]:
    return _constants_of(_tree_of(path), root)


@functools.cache
def _tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def _is_text(node: ast.AST) -> bool:
    match node:
        case ast.Constant(value=str()):
            return True
        case ast.JoinedStr():
            return True
        case ast.IfExp(body=body, orelse=other):
            return _is_text(body) or _is_text(other)
        case ast.BoolOp(op=ast.Or(), values=values):
            return any(_is_text(value) for value in values)
        case ast.BinOp(op=ast.Add(), left=left, right=right):
            return _is_text(left) or _is_text(right)
        case ast.BinOp(op=ast.Mult(), left=ast.Constant(value=str())):
            return True
    return False


# --- the English of one ------------------------------------------------------------------

_UNNAMED = "value"


def _name_of(node: ast.AST) -> str:
    """What a value is called: the last name of its expression."""
    match node:
        case ast.Name(id=name):
            return _plain_name(name)
        case ast.Attribute(attr="value" | "sd" as name, value=owner):
            return _name_of(owner) if name == "value" else name
        case ast.Attribute(attr=name):
            return _plain_name(name)
        case ast.Subscript(slice=ast.Constant(value=str(name))) if name.isidentifier():
            return _plain_name(name)
        case (
            ast.Subscript(value=value) | ast.Starred(value=value) | ast.FormattedValue(value=value)
        ):
            return _name_of(value)
        case ast.Call(func=ast.Attribute(attr="join"), args=[argument]):
            return _name_of(argument)
        case ast.Call(args=[first, *_]) if _name_of(first) != _UNNAMED:
            return _name_of(first)
        case ast.Call(func=func):
            inner = func.value if isinstance(func, ast.Attribute) else func
            return _name_of(inner)
        case ast.BinOp(left=left, right=right):
            name = _name_of(left)
            return name if name != _UNNAMED else _name_of(right)
        case ast.UnaryOp(operand=operand):
            return _name_of(operand)
        case ast.GeneratorExp(elt=element) | ast.ListComp(elt=element):
            return _name_of(element)
    return _UNNAMED


def _plain_name(name: str) -> str:
    return name.strip("_").lower() or _UNNAMED


def _english(way: _Way) -> str:
    """A way to say it, with names of places that are unique in it."""
    used: dict[str, int] = {}
    out = ""
    for part in way:
        if isinstance(part, str):
            out += part.replace("{", "{{").replace("}", "}}")
            continue
        used[part.name] = number = used.get(part.name, 0) + 1
        out += "{" + part.name + (str(number) if number > 1 else "") + "}"
    return out


_FIELD = re.compile(r"(?<!\{)\{\w+\}(?!\})")
_WORD = re.compile(r"[^\W\d_]{2,}")

# What has words and is none, with the reason.
NO_SENTENCES = (
    (re.compile(r"^[\w@./-]*$"), "a name or a key"),
    (re.compile(r"^\{where\} [\w.{}]+$"), "a key of session.toml"),
    (re.compile(r"^\{\w+\} (\(\"\{name\}\"\) )?\w+_\w+$"), "a key of session.toml"),
    (re.compile(r"^\w+ = \S+$|^(columns? =|\{inner\}, unit =)"), "a line of session.toml"),
    (re.compile(r"^(\[.*\]|\{\{.*\}\})$"), "an example of TOML or JSON"),
    (re.compile(r"\\|\(\?|\^"), "a pattern"),
    (re.compile(r"^[^\n]*\n(.*\n)+"), "several lines: a file, or a help text"),
    (re.compile(r"^\w+\.\w+(\.\w+)*$"), "a name of a module"),
    (re.compile(r"\w\|\w"), "a pattern"),
    (re.compile(r"^\{\w+\}\.\{"), "a name of a column, which another sentence has"),
    (re.compile(r"^<.*>$"), "an element of XML"),
)


def is_sentence(text: str) -> bool:
    """Whether a text has words for people in it."""
    bare = _FIELD.sub("#", text)
    if not _WORD.search(bare) or " " not in text:
        return False
    return not any(pattern.search(text) for pattern, _ in NO_SENTENCES)


def is_half(text: str) -> bool:
    """Whether a text can only be a part of a longer one."""
    return text != text.strip() or text[:1] in ",;:)" or text[-1:] in ",;:("

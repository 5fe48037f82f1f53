"""No word of `cli` and `show` outside the catalogue, and no sentence put together from halves.

The pages, figures and cards are looked at as they come out as well (tests/show/test_page_language
and test_figure_language); here the code is read, so that what no sample reaches is seen too.
"""

import ast
import re

import catalogue
import plain_sentences
import pytest

SENTENCE = re.compile(r"[A-Za-z]{2,}[,:;.]? [A-Za-z({]")
WORD = re.compile(r"[A-Za-z]{3,}")

# What holds words and is not read as such.
FOR_PROGRAMS = {
    "show/figures/page_svg.py": "style rules, and classes of shapes",
    "show/markup.py": "the head of an HTML document",
    "show/page/frame.py": "style rules",
    "show/page/practice_sheet.py": "style rules, and classes of fields",
    "show/file_names.py": "names of files",
    "show/column_words.py": "words that the catalogue takes from there as a list",
}
# What errors are made of is looked for by the tool that reads plain sentences.
DEFECTS = ("ValueError", "TypeError", "KeyError", "LookupError")  # never meant to be met
COMMAND = re.compile(r"batontrace:? [a-z{]|--[a-z]|[A-Z]+ [A-Z]+$")  # typed as it stands
FILE = re.compile(r"\.(html|svg|png)$|_in_|^[a-z]+-\{")
COLUMN = re.compile(r"(\{\w*\}_?|_)\w*(_\{\w*\}|_mps|_low|_high)")
CLASS_KEYS = ("class", "id", "for", "aria-labelledby", "aria-describedby")
CLASSES = ("thin stripes", "moments near", "sheet runners-{}{}")
BY_KIND = (
    "column_word",
    "column_words",
)  # whose words `show/column_words.py` lists for the catalogue
LOOKED_FOR = ("_TOLD_ELSEWHERE",)  # pieces of stored remarks
FONTS = ("Liberation Sans", "DejaVu Sans", "Last Resort")


def words_outside(code, place, known):
    """Texts of a module that look like words for people and are not in the catalogue."""
    tree = ast.parse(code)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            text = "".join(
                part.value if isinstance(part, ast.Constant) else "{}" for part in node.values
            )
            looks = WORD.search(text.replace("{}", " ")) and SENTENCE.search(text)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            if isinstance(parents[node], ast.JoinedStr | ast.FormattedValue | ast.Expr):
                continue
            text, looks = node.value, SENTENCE.search(node.value)
        else:
            continue
        if looks and not is_known(text, known) and not is_excused(node, text, parents):
            yield f"{place}:{node.lineno}: {text}"


def is_known(text, known):
    paragraphs = [" ".join(part.split()) for part in text.split("\n\n")]
    return all(re.sub(r"\{[^}]*\}", "{}", part) in known for part in paragraphs if part)


def is_excused(node, text, parents):
    if any(pattern.search(text) for pattern in (COMMAND, FILE)) or text in (*FONTS, *CLASSES):
        return True
    if COLUMN.fullmatch(text):
        return True
    while node in parents:
        child, node = node, parents[node]
        match node:
            case ast.Call(func=func):
                name = getattr(func, "id", getattr(func, "attr", ""))
                if name in (*catalogue.FORMS, *DEFECTS, *BY_KIND) or name.endswith("Error"):
                    return True
            case ast.keyword(arg="help"):  # found in the finished help
                return True
            case ast.Compare():
                return True
            case ast.Dict(keys=keys, values=values) if child in values:
                if getattr(keys[values.index(child)], "value", "") in CLASS_KEYS:
                    return True
            case ast.Assign(targets=[ast.Name(id=name)]) if name in LOOKED_FOR:
                return True
        if isinstance(node, ast.stmt):
            return False
    return False


@pytest.fixture(scope="module")
def known():
    shapes = set()
    for one in catalogue.all_sentences():
        for text in filter(None, (one.english, one.many)):
            shapes.add(re.sub(r"\{[^}]*\}", "{}", " ".join(text.split())))
    return shapes


def speaking_modules():
    for room in plain_sentences.SPEAKING:
        for path in sorted((catalogue.ROOT / "pipeline" / room).rglob("*.py")):
            place = path.relative_to(catalogue.ROOT / "pipeline").as_posix()
            if place not in FOR_PROGRAMS:
                yield place, path.read_text("utf-8")


def test_no_word_of_cli_and_show_is_outside_the_catalogue(known):
    found = [one for place, code in speaking_modules() for one in words_outside(code, place, known)]
    assert found == []


def test_every_sentence_of_the_catalogue_is_translated():
    for language in ("de", "fr"):
        lacking = catalogue.lacking(catalogue.stored(language))
        assert [message.id for message in lacking] == []
        stored = {
            f"{one.context}|{one.id}" if one.context else one.id
            for one in catalogue.stored(language)
            if one.id
        }
        ids = {one[0] if isinstance(one, tuple) else one for one in stored}
        assert [one.key for one in catalogue.all_sentences() if one.key not in ids] == []


def halves_said(code, place):
    """Where the value of a phrase is put beside more words: a sentence from halves."""
    tree = ast.parse(code)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") in catalogue.FORMS):
            continue
        parent = parents[node]
        if isinstance(parent, ast.FormattedValue):
            around = parents[parent]
            texts = [one.value for one in getattr(around, "values", ()) if hasattr(one, "s")]
            beside = "".join(text for text in texts if isinstance(text, str))
        elif isinstance(parent, ast.BinOp) and isinstance(parent.op, ast.Add):
            beside = "".join(
                one.value
                for one in ast.walk(parent)
                if isinstance(one, ast.Constant)
                and isinstance(one.value, str)
                and one is not node
                and one not in ast.walk(node)
            )
        else:
            continue
        if WORD.search(beside):
            yield f"{place}:{node.lineno}: {beside}"


def test_no_sentence_of_cli_and_show_is_put_together_from_halves():
    found = [one for place, code in speaking_modules() for one in halves_said(code, place)]
    assert found == []


@pytest.mark.parametrize(
    ("code", "is_found"),
    [
        ('x = "the mark is wrong"', True),
        ('x = f"the mark of {name} is wrong"', True),
        ('x = phrase("the mark is wrong")', False),
        ('raise ValueError("the mark is wrong")', False),
        ('x = {"class": "band faint ink-core"}', False),
        ('x = f"batontrace marks {out}"', False),
        ('x = "mark"', False),
    ],
)
def test_the_scan_finds_what_it_looks_for(code, is_found):
    assert bool(list(words_outside(code, "x.py", set()))) is is_found


def test_the_scan_finds_halves():
    code = "x = f\"{phrase('lost')} by the runner\""
    assert list(halves_said(code, "x.py"))
    assert not list(halves_said("x = f\"{phrase('lost')}: 3\"", "x.py"))
    assert list(halves_said('x = phrase("lost") + " by the runner"', "x.py"))

"""Finished English texts, as tables and errors have them, said in another language."""

import re
import string
from collections import defaultdict

import catalogue
import fuzz
import lakes
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.advise import decisions
from pipeline.errors import BatontraceError
from pipeline.language import phrases
from pipeline.language.choice import using
from pipeline.language.numbers import localised_numbers
from pipeline.language.reading import JOINED, NUMBERS, SENTENCE, WORDS, Grammar, _Template

SENTENCES = [one.english for one in catalogue.plain()]
TEMPLATES = [one for one in SENTENCES if "{" in one and one not in {*JOINED.values(), SENTENCE}]
# What systems and libraries say of a file is theirs, in their language.
OF_OTHERS = {"error", "msg", "strerror", "err", "code", "fault", "layout"}


def filled(template, values):
    parts = string.Formatter().parse(template)
    return "".join(text + (values[name] if name else "") for text, name, _, _ in parts)


def names_in(template):
    return [name for _, name, _, _ in string.Formatter().parse(template) if name]


def _ways_to_say(texts, alike, template, values):
    """The translations of all sentences with the same words: another room may say them too."""
    own = names_in(template)
    for other in alike:
        theirs = dict(zip(names_in(other), (values[name] for name in own), strict=True))
        yield filled(texts[other], theirs)


names = st.one_of(
    st.from_regex(r"[a-z]{3,8}(\.[1-9]){0,2}", fullmatch=True),
    st.sampled_from(["heron.1.5", "דרור", "otter_2", "lane5", "B.Ö-Ä"]),
)
numbers = st.decimals(-99, 999, places=2).map(str)


@settings(max_examples=2, deadline=None, phases=[Phase.generate])
@given(st.lists(names, min_size=9, max_size=9), st.lists(numbers, min_size=9, max_size=9))
@pytest.mark.parametrize("language", phrases.TRANSLATED)
def test_a_sentence_with_values_is_said_with_the_same_values_in_place(language, some, figures):
    texts = phrases.catalogue(language).texts
    alike = defaultdict(list)
    for english in texts:
        alike[catalogue.without_names(english)].append(english)
    wrong = {}
    with using(language):
        for k, template in enumerate(TEMPLATES):
            quoted = _Template(template).quoted
            values, said = {}, {}
            for i, name in enumerate(names_in(template)):
                is_number = name in NUMBERS or (i + k) % 2 == 1
                values[name] = text = (figures if is_number else some)[i]
                is_word = name.rstrip("0123456789") in WORDS and text in texts
                own = phrases.reworded(text) if is_word else localised_numbers(text)
                said[name] = text if i in quoted else own
            got = phrases.reworded(filled(template, values))
            if got not in _ways_to_say(
                texts, alike[catalogue.without_names(template)], template, said
            ):
                wrong[template] = got
    assert wrong == {}


@pytest.mark.parametrize("language", phrases.TRANSLATED)
def test_a_sentence_without_values_is_said_as_the_catalogue_has_it(language):
    texts = phrases.catalogue(language).texts
    with using(language):
        plain = [one for one in SENTENCES if "{" not in one]
        assert {one: phrases.reworded(one) for one in plain} == {one: texts[one] for one in plain}


def test_english_in_force_gives_the_same_text():
    text = "left 0.12 ± 0.03 s late"
    assert phrases.reworded(text) is text


@pytest.mark.parametrize(
    "text", ["go to the shop, 1.5 of it", "Everyone; or 2.5 and so", "a.b.c 3.11", ""]
)
def test_a_text_that_is_not_known_comes_back_as_it_is(text):
    with using("de"):
        assert phrases.reworded(text) is text


@pytest.mark.parametrize(
    ("english", "german", "french"),
    [
        (
            "Left 0.25 ± 0.05 s late: passed 8 m earlier, lost 0.19 ± 0.04 s; advised: the "
            "receiver at 1.5 m and the tape half a foot nearer.",
            "0,25 ± 0,05 s zu spät abgelaufen: 8 m früher übergeben, 0,19 ± 0,04 s verloren; "
            "empfohlen: der Übernehmer bei 1,5 m und die Marke einen halben Fuß näher.",
            "Parti 0,25 ± 0,05 s trop tard : transmis 8 m plus tôt, 0,19 ± 0,04 s perdues ; "
            "conseillé : le receveur à 1,5 m et la marque un demi-pied plus près.",
        ),
        (
            "out/1.5.csv: no row is usable; expected ISO 8601 such as 2026-05-12T17:03:20.100Z; "
            "check the path",
            "out/1.5.csv: keine Zeile ist brauchbar; erwartet: ISO 8601 wie "
            "2026-05-12T17:03:20.100Z; den Pfad prüfen",
            "out/1.5.csv : aucune ligne n’est utilisable ; attendu : ISO 8601 comme "
            "2026-05-12T17:03:20.100Z ; vérifier le chemin",
        ),
        (
            "passed, early start",
            "übergeben, zu früh abgelaufen",
            "transmis, parti trop tôt",
        ),
        (
            'reps.csv, line 2: row left out: zone: "1.5.2" is not a whole number',
            'reps.csv, Zeile 2: Zeile ausgelassen: zone: "1.5.2" ist keine ganze Zahl',
            'reps.csv, ligne 2 : ligne écartée : zone : "1.5.2" n’est pas un nombre entier',
        ),
        (
            "mark's unit states no speeds: measured from its places, with wider errors",
            "das Gerät von mark nennt keine Geschwindigkeiten: aus seinen Positionen gemessen, mit "
            "größeren Fehlern",
            "l’appareil de mark n’indique pas de vitesses : mesuré d’après ses positions, avec des "
            "erreurs plus grandes",
        ),
    ],
)
def test_clauses_lists_places_and_values_inside_values(english, german, french):
    with using("de"):
        assert phrases.reworded(english) == german
    with using("fr"):
        assert phrases.reworded(english).replace("\u00a0", " ") == french


def test_an_error_with_details_is_said_line_by_line():
    text = (
        "a.fit: no record is a fix (there are none)\n  wrong checksum; values may be damaged\n  x y"
    )
    with using("de"):
        assert phrases.reworded(text).split("\n") == [
            "a.fit: keine Nachricht ist eine Position (es gibt keine)",
            "  falsche Prüfsumme; Werte können beschädigt sein",
            "  x y",
        ]
        assert phrases.reworded("\n \n") == "\n \n"


def test_of_two_ways_to_read_a_text_the_one_counts_that_explains_more():
    grammar = Grammar(["{name} is gone", "{name} is gone, since {why}", "nobody came"])
    assert grammar.read("heron is gone").sentence == "{name} is gone"
    read = grammar.read("heron is gone, since nobody came")
    assert read.sentence == "{name} is gone, since {why}"
    assert list(read.unexplained()) == ["heron"]


def test_a_text_full_of_joints_is_read_in_no_time():
    text = "; ".join(["a: b, c and d or e"] * 200)
    assert phrases.reading_of(text).text == text


# --- all that is said ------------------------------------------------------------------------


def english_left(texts):
    """Pieces of several words that no sentence of the catalogue explains."""
    left = {}
    for text in texts:
        reading = phrases.reading_of(text)
        bare = [_without_names(one) for one in _own_pieces(reading)]
        words = [one for one in bare if len(one.split()) > 1]
        if words or not reading.sentence:
            left[text] = words
    return left


def _own_pieces(reading):
    """What is not explained, but for what systems and libraries say."""
    if not reading.sentence and not reading.is_quoted:
        yield reading.text
    for name, value in reading.values:
        if name not in OF_OTHERS:
            yield from _own_pieces(value)


def _without_names(text):
    """The words of a piece but for names, and examples of files."""
    return " ".join(
        word
        for word in re.sub(r"\{.*\}", "", text).split()
        if word.isalpha() and word.isascii() and word.islower() and len(word) > 1
    )


def test_what_decisions_say_of_a_lake_is_read_to_the_last_word(tmp_path, monkeypatch):
    lakes.lighten(monkeypatch)
    lakes.store_lake(tmp_path)
    made = decisions.decide_marks(tmp_path, lakes.Settings())
    texts = set(made.remarks)
    for table in made.tables.values():
        for name in ("verdict", "note", "remarks", "cause", "main_cause"):
            if name in table.column_names:
                for value in table.column(name).to_pylist():
                    texts.update(value if isinstance(value, list) else filter(None, [value]))
    assert len(texts) > 20
    assert english_left(sorted(texts)) == {}


def broken_inputs():
    for target in ("session", "sheet", "observer", "venue", "survey", "csv", "fit", "nmea", "gpx"):
        yield from sorted((fuzz.CORPUS / target).iterdir())


def test_errors_of_broken_files_are_read_to_the_last_word(monkeypatch):
    said = set()
    keep = BatontraceError.__init__

    def noted(self, *args, **named):
        keep(self, *args, **named)
        said.update(self.lines)

    monkeypatch.setattr(BatontraceError, "__init__", noted)
    for path in broken_inputs():
        fuzz.TARGETS[path.parent.name].run(path.read_bytes())
    assert len(said) > 30
    assert english_left(sorted(said)) == {}

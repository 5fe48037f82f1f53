"""The sentences of the rooms that speak English: found by reading the code, whole, translated."""

import catalogue
import plain_sentences
import pytest
from catalogue import fields, stored, without_names

from pipeline.language.phrases import TRANSLATED


def said_by(tmp_path, code, name="base/words.py"):
    """The sentences and the halves of a module with this code."""
    path = tmp_path / "pipeline" / name
    path.parent.mkdir(parents=True)
    path.write_text(code, "utf-8")
    reader = plain_sentences._Reader(tmp_path, path)
    return [one.english for one in reader.sentences()], [one.text for one in reader.halves()]


def said_in_function(tmp_path, lines):
    body = "".join(f"    {line}\n" for line in lines)
    return said_by(tmp_path, f"def f(n, late, why):\n{body}", "tables/x.py")


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_sentence_of_the_lower_rooms_is_in_both_catalogues_with_the_same_values(language):
    book = stored(language)
    found = {one.english: book.get(one.english) for one in catalogue.plain()}
    assert [english for english, message in found.items() if message is None] == []
    lacking = {one.id for one in catalogue.lacking(book) if not one.context}
    assert [english for english in found if english in lacking] == []
    assert len(found) > 1000


def test_no_sentence_of_the_lower_rooms_is_put_together_from_halves():
    assert plain_sentences.halves() == []


def test_what_is_joined_in_one_function_is_multiplied_out(tmp_path):
    lines = [
        "side = 'after' if late else 'before'",
        "return f\"the start was {n} s {side} the mark{f' ({why})' if why else ''}\"",
    ]
    sentences, halves = said_in_function(tmp_path, lines)
    assert set(sentences) == {
        "the start was {n} s after the mark ({why})",
        "the start was {n} s before the mark ({why})",
        "the start was {n} s after the mark",
        "the start was {n} s before the mark",
    }
    assert halves == []


def test_counts_and_pluses_and_what_stands_in_for_nothing_are_multiplied_out(tmp_path):
    lines = ["return count(n, 'row') + ' of ' + (why or 'nobody knows what')"]
    sentences, _ = said_in_function(tmp_path, lines)
    assert "{n} row of nobody knows what" in sentences
    assert "{n} rows of {why}" in sentences


@pytest.mark.parametrize(
    "line", ["return g(' and lost ' + str(n), n)", "return ''.join(['left late, ', why])"]
)
def test_a_half_that_is_joined_elsewhere_is_told(tmp_path, line):
    assert said_in_function(tmp_path, [line])[1]


def test_what_nobody_reads_is_no_sentence(tmp_path):
    lines = [
        '"""What it does."""',
        "if why == 'not passed here': return re.sub(r'a b+', '', why)",
        "return {'some key of words': n}['some key of words']",
    ]
    assert said_in_function(tmp_path, lines) == ([], [])


def test_a_word_that_stands_in_where_a_key_is_not_there_is_said(tmp_path):
    sentences, _ = said_in_function(tmp_path, ["return _WORDS.get('a key', 'nobody saw it')"])
    assert sentences == ["nobody saw it"]


def test_values_are_told_apart_though_they_have_one_name(tmp_path):
    lines = ["return f'zone {late.zone} is not zone {why.zone}'"]
    assert said_in_function(tmp_path, lines)[0] == ["zone {zone} is not zone {zone2}"]


def test_a_translation_outlives_a_new_name_of_its_value():
    former, now = "no mark of {name}", "no mark of {runner}"
    assert without_names(former) == without_names(now)
    assert catalogue.renamed(former, "keine Marke von {name}", now) == "keine Marke von {runner}"
    assert fields(now) == {"runner:"}

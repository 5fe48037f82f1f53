"""Words about names that are not there: what was meant, and what there is."""

import pytest

from pipeline.base.asking import comma_list, did_you_mean, either, in_words, misspelt, one_of

BIRDS = ["wren", "robin", "jay", "heron", "swift", "dunlin", "avocet", "curlew", "merlin", "osprey"]


@pytest.mark.parametrize(
    ("words", "joined", "quoted"),
    [
        ([], "", ""),
        (["a"], "a", '"a"'),
        (["a", "b"], "a and b", '"a" or "b"'),
        (["a", "b", "c"], "a, b and c", '"a", "b" or "c"'),
    ],
)
def test_words_are_joined_as_they_are_read_aloud(words, joined, quoted):
    assert in_words(words) == joined
    assert either(words) == quoted


def test_a_long_list_says_how_many_it_leaves_out():
    assert comma_list(["a", "b", "c"]) == comma_list(["a", "b", "c"], 3) == "a, b, c"
    assert comma_list(["a", "b", "c", "d"], 1) == "a and 3 more"
    assert comma_list([]) == ""


def test_what_there_is_comes_in_its_own_order_and_nearest_first_where_it_answers_a_name():
    assert one_of(["b", "a"]) == "one of b, a"
    assert one_of([]) == one_of([], "robin") == "one of none"
    answer = one_of(BIRDS, "robbin")
    assert answer.startswith("one of robin, ")
    assert answer.endswith(" and 2 more")
    assert one_of(["b", "a", "b"], "zzz") == "one of a, b"


def test_what_was_meant_is_asked_only_where_a_name_is_like_it():
    assert did_you_mean("Robn", BIRDS) == 'did you mean "robin"?'
    assert did_you_mean("kestrel", BIRDS) == ""
    assert misspelt(["robn", "wren", "kestrel"], BIRDS) == {"robn": "robin"}
    assert misspelt(["robn", "robin"], BIRDS) == {}  # it is there already

"""Texts keep what they say: English at once, and a statement that any language can be made from."""

import json

import numpy as np
import pytest

from routekit.words.catalogue import render
from routekit.words.texts import (
    Number,
    Text,
    begin,
    both,
    from_json,
    join,
    list_words,
    lower_first,
    say,
    state,
    to_json,
    word,
)


def test_a_sentence_reads_as_english_and_keeps_its_values():
    text = say("{what} of {name}: {area:,.1f} m²", what=word("root zone"), name="T 7", area=1234.56)
    assert text == "root zone of T 7: 1,234.6 m²"
    assert text.said == [
        "{what} of {name}: {area} m²",
        {"what": ["root zone"], "name": "T 7", "area": {"n": "1,234.6"}},
    ]


@pytest.mark.parametrize(("n", "text"), [(1, "1 run"), (0, "0 runs"), (1200, "1,200 runs")])
def test_the_number_n_decides_between_singular_and_plural(n, text):
    said = say("{n:,.0f} run", "{n:,.0f} runs", n=n)
    assert said == text
    assert said.said[2] == "{n} runs"


def test_texts_put_together_keep_what_they_say():
    one, two = say("a {x:.0f}", x=1), word("b")
    for text in (one + "; " + two, join([one, "", two], "; ")):
        assert text == "a 1; b"
        assert isinstance(from_json(to_json([text]))[0], Text)
        assert json.loads(to_json([text])[0]) == state(text)
    assert list_words([one, two, "c"]) == "a 1, b and c"
    assert begin(two) == "B"
    assert begin(two).said == ["^", {"t": ["b"]}]
    assert (np.array([one], dtype=object) + ". " + two)[0] == "a 1. b"
    assert join(["", ""]) == ""
    assert lower_first("Bore") == "bore"


def test_words_of_the_data_are_no_template():
    assert say("street {name}", name="{n} {x}") == "street {n} {x}"
    assert from_json(to_json(["{n} [1]"]))[0] == "{n} [1]"


def test_columns_hold_english_and_statements():
    texts = [say("{n:.0f} tree", "{n:.0f} trees", n=2), "", "Lime Road"]
    columns = both("reason", texts)
    assert list(columns) == ["reason", "reason_words"]
    assert columns["reason"].tolist() == ["2 trees", "", "Lime Road"]
    assert {type(text) for text in columns["reason"]} == {str}
    assert json.loads(columns["reason_words"][0]) == ["{n} tree", {"n": {"n": "2"}}, "{n} trees"]
    assert columns["reason_words"][1] == ""
    assert from_json(columns["reason_words"]).tolist() == columns["reason"].tolist()


def test_numbers_are_told_from_words():
    assert state(Number("1.5")) == {"n": "1.5"}
    assert say("{x}", x=0.5).said == ["{x}", {"x": {"n": "0.5"}}]
    assert say("{x}", x="0.5").said == ["{x}", {"x": "0.5"}]


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_column_without_a_unit_is_headed_in_every_language(language):
    assert render(word(""), language) == ""
    assert render(join((word(""), say("{n} m", n=3)), ""), language) == "3 m"


@pytest.mark.parametrize("language", ["en", "de"])
def test_words_have_no_slots_whatever_braces_they_hold(language):
    assert render(word("{braces} {0} {name}"), language) == "{braces} {0} {name}"
    assert render(say("{what} lost", what=word("{braces}")), "en") == "{braces} lost"


def test_a_name_of_a_file_that_is_no_text_keeps_its_signs():
    """What a file system hands over in another code stands as halves of a sign."""
    written = to_json([say("{file} cannot be read", file="plan\udce9.shp")])
    assert from_json(written)[0] == "plan\udce9.shp cannot be read"

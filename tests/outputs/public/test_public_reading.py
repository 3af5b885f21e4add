"""How long the sentences of the residents' page are, in every language.

Under 15 words on average is the aim for plain language (common practice, no source).
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from public_study import make_result

from routekit.outputs.public.district import describe_district
from routekit.outputs.public.languages import LANGUAGES, load_words, render

MOST_WORDS = 15
LONGEST_WORDS = 40


def _count_words(texts: list[str]) -> list[int]:
    """Words of each sentence; a slot is one word, a sign by itself none."""
    sentences = [one for text in texts for one in re.split(r"(?<=[.?!])\s+", text)]
    whole = [one for one in sentences if one.endswith((".", "?", "!"))]
    return [len(re.findall(r"\S*\w\S*", one)) for one in whole]


def _all_texts(words: dict) -> list[str]:
    topics = [topic for topic in words.values() if isinstance(topic, dict)]
    texts = [text for topic in topics for text in topic.values()]
    return [
        each for text in texts for each in (text.values() if isinstance(text, dict) else [text])
    ]


def test_words_of_sentences_are_counted():
    assert _count_words(
        ["About {m} m of it. Is it dug? no end here", "Oui : {n} arbres ; rien."]
    ) == [
        5,
        3,
        4,
    ]


@pytest.mark.parametrize("code", LANGUAGES)
def test_sentences_of_the_page_are_short(code):
    catalogue = np.array(_count_words(_all_texts(load_words(code, is_divided=True))))
    said = [one for street in describe_district(make_result()).said for one in street]
    words = load_words(code)
    page = np.array(_count_words([render(one, words) for one in said]))
    assert len(catalogue) > 200
    assert len(page) > 50
    assert catalogue.mean() < MOST_WORDS
    assert page.mean() < MOST_WORDS
    assert max(catalogue.max(), page.max()) <= LONGEST_WORDS

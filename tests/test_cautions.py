"""What every output warns of, subject by subject (common practice, no source)."""

import pytest

from routekit.vocabulary import CAUTIONS
from routekit.words.catalogue import load_words
from routekit.words.languages import list_languages

SUBJECTS = {
    "gas in the street and in the sewer": ("gas operator", "Sewer gas"),
    "live flow": ("over-pump", "rain"),
    "traffic": ("traffic management", "barriers"),
    "strings under load": ("under load", "line of pull"),
    "asbestos, bad ground, ordnance": ("asbestos", "contaminated", "ordnance"),
    "curing": ("styrene", "steam", "traps"),
    "buildings": ("Survey buildings",),
    "depth from which support is needed": ("1.25 m", "5 ft"),
    "nests by country": ("BNatSchG", "Wildlife and Countryside Act", "Birds and Habitats"),
    "plant hygiene": ("Clean tools", "plane"),
}


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_subject_has_one_caution(subject):
    assert sum(all(word in text for word in SUBJECTS[subject]) for text in CAUTIONS) == 1


@pytest.mark.parametrize("code", list_languages()[1:])
def test_cautions_are_said_in_every_language(code):
    words = load_words(code)
    said = [words.find("", text)[0] for text in CAUTIONS]
    assert not set(said) & set(CAUTIONS)
    assert len(set(said)) == len(CAUTIONS)

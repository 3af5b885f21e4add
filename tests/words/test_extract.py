"""Which texts are taken as messages: each says by itself what it means."""

import pytest

from routekit.words.extract import collect_messages


@pytest.fixture(scope="module")
def messages():
    found = [one for one in collect_messages() if one.id]
    return {(one.context or "", one.id if isinstance(one.id, str) else one.id[0]) for one in found}


def test_keys_of_the_page_for_residents_are_no_messages(messages):
    assert ("", "ui") not in messages
    assert any(context.startswith("residents: ui.") for context, _ in messages)


@pytest.mark.parametrize("word", ["over", "left", "Impact"])
def test_no_word_stands_without_what_it_is_about(messages, word):
    """A bare «left» is a side, a rest or an order; other languages need to know which."""
    assert ("", word) not in messages


def test_a_trench_that_is_only_thought_of_is_told_from_one_that_is_dug(messages):
    thought = [text for context, text in messages if context.startswith("residents: tree.trench_")]
    assert len(thought) > 5
    assert not any(text.startswith("A trench would") for text in thought)


def test_what_is_renewed_is_not_called_repaired_or_laid_anew(messages):
    told = {context: text for context, text in messages if context.startswith("residents: ")}
    assert told["residents: legend.inside"].startswith("Renewed from inside")
    assert "replaced by a new pipe" in told["residents: works.open_cut"]
    assert not any("relaid" in text for text in told.values())

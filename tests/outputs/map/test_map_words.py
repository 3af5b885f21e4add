"""Words that scripts and templates of the map say are found among the catalogues' messages."""

import pytest

from routekit.outputs.map import words


@pytest.fixture
def _few_messages(monkeypatch):
    keys = [("", "Print"), ("", "Prints"), ("month", "May"), ("", "May"), ("", 'Say "no"')]
    monkeypatch.setattr(words, "_known", lambda: frozenset(keys))


def _find(scripts):
    return {one for _, one in words._find_spoken.__wrapped__(scripts)}


@pytest.mark.usefixtures("_few_messages")
@pytest.mark.parametrize(
    ("scripts", "found"),
    [
        ('say("Print")', {"Print"}),
        ('say("Print", "Prints")', {"Print", "Prints"}),
        ("say(Print)", set()),
        ('"Print', set()),
        ('Print"', set()),
        ("", set()),
        ('"M\\u0061y"', {"May"}),
        ('say("Say \\"no\\"")', {'Say "no"'}),
        ('say("Say no")', set()),
        ('x = "a" + "Print" + "b"', {"Print"}),
        ('Print"Prints"May', {"Prints"}),
    ],
)
def test_words_between_quotation_marks_are_found(scripts, found):
    assert _find(scripts) == found


def test_each_is_found_as_by_looking_for_it():
    """All messages of the catalogues, in one script: the same as looking for each in the text."""
    keys = sorted(one for context, one in words._known() if not context)
    scripts = " ".join(f'say("{one}", {one})' for one in keys[::3])
    wanted = {one for one in keys if f'"{one}"' in words.strip_formats(scripts)}
    assert len(wanted) > len(keys) / 4
    assert _find(scripts) == wanted

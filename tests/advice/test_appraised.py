"""Which appraisal rules turn a recommendation: held against the sample under such a rule."""

from dataclasses import replace

import pandas as pd
import pytest

from routekit import run_study
from routekit.advice.appraisal import load_appraisal_rules
from routekit.advice.value_texts import CODES, PHRASES
from routekit.schema import list_fields
from routekit.techniques import BURSTING
from routekit.words.catalogue import render_column

RULE = "undiscounted"


@pytest.fixture(scope="module")
def advice_anew(sample_study):
    """Advice under another rule, without what does not bear on it."""
    settings = sample_study.settings
    sureness = settings.advice.sureness.model_copy(update={"is_on": False})
    advice = settings.advice.model_copy(update={"appraisal": RULE, "sureness": sureness})
    programme = settings.programme.model_copy(update={"is_made": False})
    changed = settings.model_copy(update={"advice": advice, "programme": programme})
    return run_study(replace(sample_study, settings=changed)).advice.set_index("run_id")


def test_a_rule_that_turns_a_recommendation_is_named_with_what_it_turns_it_to(
    sample_result, advice_anew
):
    """Whatever is best by then: the third had not been looked at, and the second was named."""
    before = sample_result.advice.set_index("run_id")
    was, then = (each["technique"].astype(object).fillna("") for each in (before, advice_anew))
    apart = ~(was.isin(BURSTING) | then.isin(BURSTING) | before["is_forced"])
    phrase = then.map(dict(zip(CODES, PHRASES, strict=True)))
    short = load_appraisal_rules()[RULE].short
    named = pd.Series(
        [
            [part.partition(" under ")[0] for part in said.split("; ") if short in part]
            for said in before["appraisal_turns"]
        ],
        index=before.index,
    )
    turned = apart & (was != then)
    assert turned.sum() > 40
    assert "open_cut" in set(then[turned])
    assert named[turned].tolist() == [[one] for one in phrase[turned]]
    assert not any(named[apart & (was == then)])
    told = before[before["appraisal_turns"] != ""]
    german = render_column(told["appraisal_turns_words"], "de")
    assert (german != told["appraisal_turns"].to_numpy(dtype=object)).all()


def test_the_column_says_for_which_runs_bursting_was_not_weighed():
    """Its pits are set out only for strings that were wished for: elsewhere blank is not 'none'."""
    fields = list_fields().set_index(["table", "column"])
    meaning = fields.loc[("advice", "appraisal_turns"), "meaning"]
    assert "weighed only where a string was wished for" in meaning

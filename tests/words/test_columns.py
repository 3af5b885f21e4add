"""Columns of texts: the same words and statements as said one by one."""

import timeit
from time import process_time

import numpy as np
import pandas as pd
import pytest

from routekit.words.columns import head_text, name_messages, say_each, write_texts
from routekit.words.texts import Number, from_json, say, to_json, word


def one_by_one(say_row, *columns):
    """English and statements of rows said one by one."""
    texts = [say_row(*row) for row in zip(*columns, strict=True)]
    return [str(text) for text in texts], list(to_json(texts))


def same(texts, said):
    """Whether a column says what its rows say one by one, and can be read back."""
    english, words = write_texts(texts)
    return (english, words) == said and [str(each) for each in from_json(words)] == english


def test_a_column_says_what_its_rows_say_one_by_one():
    names = ['plain "words"', "back\\slash", "{braces}", "line\nfeed", "größer ≥ 3"]
    numbers = np.array([1.0, 1234.56, -0.5, 1e6, np.pi])
    assert same(
        say_each('"{name}" is {x:,.1f} {unit}', name=names, x=numbers, unit="m"),
        one_by_one(
            lambda name, x: say('"{name}" is {x:,.1f} {unit}', name=name, x=x, unit="m"),
            names,
            numbers,
        ),
    )


def test_each_row_has_its_own_plural():
    counts = np.array([1, 2, 1, 0])
    assert same(
        say_each("{n} part", "{n} parts", n=counts, context="of lines"),
        one_by_one(lambda n: say("{n} part", "{n} parts", n=n, context="of lines"), counts),
    )


def test_one_number_decides_for_all_rows_and_a_context_stays_without_a_plural():
    runs = pd.Series(["A", "B"], index=[7, 9], dtype="str")
    assert same(
        say_each("{n} m at {run}", "{n} ms at {run}", n=1, run=runs),
        one_by_one(lambda run: say("{n} m at {run}", "{n} ms at {run}", n=1, run=run), runs),
    )
    assert same(
        say_each("at {run}", context="place", run=runs),
        one_by_one(lambda run: say("at {run}", context="place", run=run), runs),
    )


def test_slots_take_texts_words_numbers_and_other_columns():
    words = [word("fail"), word("pass")]
    ids = np.array(["A", "B"], dtype=object)
    assert same(
        say_each(
            "{state} at {place}: {n}",
            state=words,
            place=say_each("run {run}", run=ids),
            n=[Number("1,000"), "plain"],
        ),
        one_by_one(
            lambda state, run, n: say(
                "{state} at {place}: {n}", state=state, place=say("run {run}", run=run), n=n
            ),
            words,
            ids,
            [Number("1,000"), "plain"],
        ),
    )


def test_the_first_rows_are_cut_before_anything_is_written():
    texts = say_each("run {run} at {x:.1f}", run=["A", "B", "C"], x=np.arange(3.0))
    assert write_texts(texts.head(2))[0] == ["run A at 0.0", "run B at 1.0"]
    assert len(texts.head(2)) == 2
    assert texts.head(5) is texts
    assert head_text(texts) == "run A at 0.0"
    assert head_text(texts).said == ["run {run} at {x}", {"run": "A", "x": {"n": "0.0"}}]
    assert head_text(word("fail")).said == ["fail"]


def test_columns_of_two_lengths_or_none_are_refused():
    with pytest.raises(ValueError, match="one length"):
        say_each("{a} and {b}", a=[1, 2], b=[1])
    with pytest.raises(ValueError, match="one length"):
        say_each("{a} alone", a=1)


def test_the_message_of_a_statement_is_found_whatever_its_values_are():
    texts = [say('"{x}" is wrong', x="1"), say('"{x}" is wrong', x="2"), word("fail"), "plain"]
    names = name_messages(pd.Series(to_json(texts), dtype="str"))
    assert names.tolist() == ['"{x}" is wrong', '"{x}" is wrong', "fail", '"plain"']


def test_a_column_is_written_with_less_work_than_row_by_row():
    """Three times less as measured; processor time, and a wide margin."""
    names, numbers = [f"R{n}" for n in range(20_000)], np.arange(20_000.0)

    def by_row():
        to_json([say("{a} at {x:.1f}", a=a, x=x) for a, x in zip(names, numbers, strict=True)])

    def by_column():
        write_texts(say_each("{a} at {x:.1f}", a=names, x=numbers))

    rows, column = (
        min(timeit.repeat(each, timer=process_time, number=1, repeat=3))
        for each in (by_row, by_column)
    )
    assert column < rows

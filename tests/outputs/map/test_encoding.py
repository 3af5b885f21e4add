"""What is written into a page comes back as it was: signs, columns, texts, outlines, contents."""

import json
import zlib

import numpy as np
import pytest
from whole_result import set_outputs

from routekit.outputs.map.content import page_content
from routekit.outputs.map.encoding import decode, encode
from routekit.outputs.map.shelves import Family, Reader, Shelf
from routekit.outputs.map.signs import SIGNS, read_spelled, spell
from routekit.settings.outputs import MapSettings

TEXTS = [
    *(f"T{i:07d}" for i in range(120)),
    *(f"costs {7 * i:,} of {i / 8:.2f} m, 00.5, 1.2.3, 10,5000" for i in range(0, 4000, 9)),
    *(
        "a5b",
        "a\0b",
        "",
        "0",
        "00",
        "a\n\0\u2028</script>",
        "12345678901234567890",
        '["{a}",{"a":{"n":"9"}}]',
    ),
]


@pytest.mark.parametrize("length", [*range(30), 4095, 70_001])
def test_bytes_come_back_from_signs_that_a_page_may_hold(length):
    data = np.random.default_rng(length).bytes(length)
    text = spell(data)
    assert read_spelled(text) == data
    assert set(text) <= set(SIGNS)
    assert not set(SIGNS) & set("<>& ")
    assert len(SIGNS) == 91
    assert len(text) <= 8 * length * 2 / 13 + 2


def make_columns(rng, n):
    """Columns that call for each way of writing, some of them with rows that are not known."""
    base = rng.integers(-5, 5000, n)
    made = {
        "walk": np.cumsum(rng.integers(-3, 4, n)) + 2**33,
        "base": base,
        "near": 3 * base + rng.integers(0, 3, n),
        "told": base // 7 % 2,
        "wide": rng.integers(-(2**44), 2**44, n),
        "same": np.full(n, 7),
        "few": rng.choice([-900_000, 5, 77_777], n),
        "steps": 250 * rng.integers(0, 90, n),
    }
    known = {name: rng.random(n) < share for name, share in (("near", 0.5), ("few", 0.9))}
    return made, known | {"steps": np.zeros(n, dtype=bool)}


@pytest.mark.parametrize("n", [0, 1, 9, 2500])
def test_columns_and_texts_come_back(n):
    made, known = make_columns(np.random.default_rng(n), n)
    shelf, family = Shelf(), Family()
    places = {
        name: shelf.add_numbers(values, known.get(name), name=name, family=family)
        for name, values in made.items()
    }
    texts = shelf.add_texts(TEXTS, name="texts")
    reader = Reader(shelf.columns, zlib.decompress(shelf.pack(b""), 31))
    for name, place in places.items():
        values, is_known = reader.read_numbers(place)
        wanted = known.get(name, np.ones(n, dtype=bool))
        assert is_known.tolist() == wanted.tolist(), name
        assert values[wanted].tolist() == made[name][wanted].tolist(), name
    assert reader.read_texts(texts) == TEXTS
    if n > 1000:
        written = [column for column in shelf.columns if isinstance(column, list)]
        assert any(len(column) > 5 and column[5] for column in written), (
            "none is ordered by another"
        )
        assert any(len(column) > 6 and column[6] for column in written), "none lists its values"
        assert {column[2] for column in written if len(column) > 2} >= {0, 1, 2, 4}


def plain(content):
    """A content as it comes back: lists in place of arrays, None in place of NaN."""
    if isinstance(content, dict):
        is_table = {"n", "c"} <= content.keys()
        return {
            key: plain(one)
            for key, one in content.items()
            if not is_table or key not in ("by", "near")
        }
    if isinstance(content, np.ndarray):
        return [None if value != value else value for value in content.tolist()]
    return json.loads(json.dumps(content)) if isinstance(content, list | tuple) else content


def assert_same(found, wanted, where=""):
    """Equal, but for the last digit of the numbers that are written by powers of ten."""
    if isinstance(wanted, dict):
        assert found.keys() == wanted.keys(), where
        if wanted.get("k") == "f":
            values, given = (np.array(one["v"], dtype=float) for one in (found, wanted))
            np.testing.assert_allclose(values, given, rtol=1e-12, err_msg=where)
            return
        for key, part in wanted.items():
            assert_same(found[key], part, f"{where}.{key}")
        return
    assert found == wanted, where


def test_every_value_of_the_sample_is_on_its_page(sample_result):
    """All tables, outlines and words that the pages are given, and the details of each run."""
    content, details = page_content(set_outputs(sample_result, map=MapSettings()))
    assert content["runs"]["n"] == 172
    assert len(details[0]["checks"]["c"]["value"]["v"]) > 20_000
    for given in (content, *details):
        assert_same(decode(encode(given)), plain(given))


def test_equal_content_gives_equal_text_and_shorter_than_json(sample_result):
    content, details = page_content(set_outputs(sample_result, map=MapSettings()))
    for given, share in ((content, 0.8), (details[0], 0.6)):
        text = encode(given)
        assert encode(given) == text
        in_base64 = 4 / 3 * len(zlib.compress(json.dumps(plain(given)).encode(), 9))
        assert len(text) < share * in_base64


def test_rows_of_another_order_are_no_grid_and_come_back_too():
    rows = {
        "run": {"k": "i", "s": 1, "v": np.array([0, 0, 1, 1])},
        "check": {"k": "d", "w": ["a", "b"], "v": np.array([0, 1, 1, 0])},
        "value": {"k": "f", "v": np.array([0.12345, np.nan, 9e9, -1e-9])},
        "text": {"k": "t", "v": [None, "x", "", "12,345 y"]},
    }
    for by, order in (("grid", [0, 1, 3, 2]), ("long", [0, 1, 2, 3])):
        table = {
            name: column | {"v": [column["v"][i] for i in order]} for name, column in rows.items()
        }
        table["run"]["v"] = [0, 0, 1, 1]
        given = {"t": {"n": 4, "by": ("run", 2, ("check",)), "c": table}}
        found = decode(encode(given))["t"]["c"]
        assert found["run"]["v"] == [0, 0, 1, 1], by
        words = [found["check"]["w"][code] for code in found["check"]["v"]]
        assert words == [["a", "b", "b", "a"][i] for i in order]
        assert found["value"]["v"] == [[0.12345, None, 9e9, -1e-9][i] for i in order]


def test_json_refuses_what_is_no_number():
    with pytest.raises(ValueError, match="JSON"):
        encode({"a": [float("nan")]})

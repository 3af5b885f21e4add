"""Print where the bytes of a map are: each part of the page, and each column that is packed in it.

Run by hand: `python tests/outputs/map/measure_bytes.py map.html [ROWS]`. A column is compressed by
itself, so the sum is a little more than the page; one that several share counts for the first.
"""

import json
import re
import sys
import zlib
from collections import Counter
from itertools import pairwise
from pathlib import Path

from routekit.outputs.map.shelves import Reader
from routekit.outputs.map.signs import read_spelled

PACKED = re.compile(r'<script type="application/octet-stream" id="([^"]+)">([^<]+)</script>')


class Weights:
    """Compressed bytes of the columns of one packed content; each counts once."""

    def __init__(self, columns, data):
        starts = [*Reader(columns, data)._starts, len(data)]
        self.columns = columns
        self.left = [
            len(zlib.compress(data[a:b], 9)) - 8 if b > a else 0 for a, b in pairwise(starts)
        ]

    def take(self, places):
        """Bytes of columns with all that they need."""
        total = 0
        for place in (one for one in places if isinstance(one, int)):
            total += self.left[place]
            self.left[place] = 0
            total += self.take(self.needs(self.columns[place]))
        return total

    def needs(self, column):
        """Columns that a column needs, but for the one that orders it."""
        if isinstance(column, dict):
            slots = [
                *column.get("s", ()),
                *(s for own in column.get("o", {}).values() for s in own),
            ]
            slots = [place for slot in slots for place in slot]
            return [column[one] for one in ("p", "k") if one in column] + slots
        return [place - 1 for place in column[6:8] if place]


def add_part(part, name, weights, totals):
    """Add the bytes of a part of the content."""
    if not isinstance(part, dict):
        return
    if part.keys() >= {"f", "r", "x", "y"}:
        totals[name] += weights.take([part["f"], part["r"], *part["x"], *part["y"]])
        return
    for key, column in part.get("c", {}).items():
        places = [column.get("w"), column.get("m")]
        for one in ("at", "e"):
            value = column.get(one)
            places += value if isinstance(value, list) else [value]
        totals[f"{name}.{key}"] += weights.take(places)
    totals[f"{name} (rows)"] += weights.take(part.get("is", ()))
    for key, one in part.items():
        if key != "c":
            add_part(one, f"{name}.{key}" if name else key, weights, totals)


def measure_packed(text, totals):
    """Add the compressed bytes of the columns of one packed content."""
    head, columns, data = zlib.decompress(read_spelled(text), 31).split(b"\n", 2)
    totals["(head)"] += len(zlib.compress(head, 9))
    totals["(columns)"] += len(zlib.compress(columns, 9))
    add_part(json.loads(head), "", Weights(json.loads(columns), data), totals)


def main(path, rows):
    """Print both tables."""
    page = Path(path).read_text(encoding="utf-8")
    parts, totals = Counter(), Counter()
    for found in PACKED.finditer(page):
        name = re.sub(r"-\w+$", "-*", found.group(1))
        parts[name] += len(found.group(2))
        if name != "words-*":
            measure_packed(found.group(2), totals)
    rest = PACKED.sub("", page)
    parts["scripts"] = sum(map(len, re.findall(r"<script>(.*?)</script>", rest, re.DOTALL)))
    parts["style"] = sum(map(len, re.findall(r"<style>(.*?)</style>", rest, re.DOTALL)))
    print(f"{len(page) / 1e6:.3f} MB")
    for name, size in parts.most_common():
        print(f"{size:10d} signs  {name}")
    tables = Counter()
    for name, size in totals.items():
        tables[re.split(r"[. ]", name)[0]] += size
    for title, counts in (("table", tables), ("column", totals)):
        print(f"\n{'bytes':>10s}  {title}")
        for name, size in counts.most_common(rows):
            print(f"{size:10d}  {name}")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 60)

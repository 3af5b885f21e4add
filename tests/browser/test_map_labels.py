"""Words on the plan: streets named along their lines, nothing on another, few signs far out."""

import math
from itertools import combinations

import numpy as np
import pytest
import shapely
from chromium import DESKTOP, wait_until_ready
from shapely.affinity import affine_transform

HOOK = """
window.written = [];
{
  const of = CanvasRenderingContext2D.prototype;
  const { fill, fillText, arc, setTransform } = of;
  const turnOf = (t) => [t.a, t.b, t.c, t.d, t.e, t.f];
  let ring = null;
  of.setTransform = function (...at) { window.written = []; return setTransform.apply(this, at); };
  of.arc = function (x, y, r, ...rest) {
    ring = { at: [x, y, r], turn: turnOf(this.getTransform()) };
    return arc.apply(this, [x, y, r, ...rest]);
  };
  of.fillText = function (text, x, y) {
    const box = this.measureText(text);
    window.written.push({ text, x, y, turn: turnOf(this.getTransform()), ring: null,
      box: [-box.actualBoundingBoxLeft, -box.actualBoundingBoxAscent,
        box.actualBoundingBoxRight, box.actualBoundingBoxDescent] });
    return fillText.apply(this, [text, x, y]);
  };
  // The mark of a sign is the one shape that is filled from a path of its own, on its disc.
  of.fill = function (...what) {
    if (what[0] instanceof Path2D && ring) {
      window.written.push({ text: 'sign', x: 0, y: 0, turn: ring.turn, ring: ring.at,
        box: [0, 0, 0, 0] });
    }
    return fill.apply(this, what);
  };
}
"""
"""Notes what the page writes with its pen, whatever its own book of labels says."""


@pytest.fixture(scope="module")
def plan(browser, sample_written):
    """The sample's map, with all that is written on it noted."""
    context = browser.new_context(viewport=DESKTOP, offline=True)
    page = context.new_page()
    page.add_init_script(HOOK)
    page.goto((sample_written[0] / "map.html").as_uri())
    wait_until_ready(page)
    yield page
    context.close()


def read_labels(page):
    """Give each text with its outline in pixels of the canvas, once the plan is drawn."""
    found = []
    for one in page.evaluate("window.written"):
        west, north, east, south = np.array(one["box"]) + np.tile([one["x"], one["y"]], 2)
        a, b, c, d, e, f = one["turn"]
        shape = shapely.box(west, north, east, south)
        if one["ring"]:
            x, y, r = one["ring"]
            shape = shapely.Point(x, y).buffer(r)
        found.append((one["text"], affine_transform(shape, [a, c, b, d, e, f]), one))
    return found


def count_overlaps(labels):
    """List the pairs of texts that lie on each other."""
    return [
        (one[0], other[0])
        for one, other in combinations(labels, 2)
        if one[1].intersection(other[1]).area > 0.01
    ]


def zoom_to(page, zoom):
    page.evaluate(f"sheet_map.setZoom({zoom}, {{animate: false}})")


def signs_of(labels):
    return [text for text, _, one in labels if one["ring"]]


def test_no_two_labels_meet_at_five_zooms_nor_in_print(plan):
    low, high = plan.evaluate("[sheet_map.getMinZoom(), sheet_map.getMaxZoom()]")
    plan.evaluate("location.hash = 'run=TL-S18'")
    plan.evaluate("document.querySelector('[data-layer=services]')?.click()")
    counts = {}
    for zoom in np.linspace(low, high, 5):
        zoom_to(plan, zoom)
        labels = read_labels(plan)
        counts[zoom] = len(labels)
        assert count_overlaps(labels) == [], zoom
    assert min(counts.values()) > 5, counts
    plan.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    labels = read_labels(plan)
    plan.evaluate("window.dispatchEvent(new Event('afterprint'))")
    read_labels(plan)
    assert len(labels) > 20
    assert count_overlaps(labels) == []


def test_every_street_is_named_along_its_line(plan, sample_result):
    plan.reload()
    wait_until_ready(plan)
    plan.locator("#whole").click()
    runs = sample_result.runs
    names = set(runs["street"].dropna())
    labels = read_labels(plan)
    turned = {}
    for text, _, one in labels:
        if text in names:
            turned.setdefault(text, []).append(
                math.degrees(math.atan2(-one["turn"][1], one["turn"][0]))
            )
    assert set(turned) == names
    for name, angles in turned.items():
        # Bearing of the street's own runs, as a GIS tells it: north is up, as on the plan.
        lines = runs.geometry[runs["street"].eq(name)]
        ends = np.array([[line.coords[0], line.coords[-1]] for line in lines])[:, :, :2]
        along = np.degrees(np.arctan2(*(ends[:, 1] - ends[:, 0]).T[::-1]))
        for angle in angles:
            assert -90 < angle <= 90.6, (name, angle)
            off = np.abs((along - angle + 90) % 180 - 90)
            assert off.min() < 6, (name, angle)


def test_far_out_a_street_or_string_has_one_sign_for_each_technique(plan, sample_result):
    zoom_to(plan, 0)
    far = signs_of(read_labels(plan))
    advice = sample_result.runs.merge(sample_result.advice, on="run_id")
    group = advice["string_id"].fillna("").where(lambda text: text != "", advice["street"])
    assert 0 < len(far) <= len(advice.assign(group=group)[["group", "technique"]].drop_duplicates())
    plan.locator("#whole").click()
    assert len(far) <= len(signs_of(read_labels(plan))) < len(advice)


def test_zoom_stays_within_twice_the_district_and_5_cm_a_pixel(plan):
    plan.locator("#whole").click()
    whole = plan.evaluate("sheet_map.getZoom()")
    zoom_to(plan, 0)
    assert 0 < whole - plan.evaluate("sheet_map.getZoom()") <= 1.25
    zoom_to(plan, 99)
    span = "const b = sheet_map.getBounds(); const c = b.getCenter();"
    metres = plan.evaluate(
        f"(() => {{ {span} return sheet_map.distance([c.lat, b.getWest()], [c.lat, b.getEast()])"
        " / sheet_map.getSize().x; })()"
    )
    # The page measures on a sphere; the study's own metres differ by less than 1 %.
    assert metres == pytest.approx(0.05, rel=0.2)
    assert metres >= 0.0495

"""Residents are told which trees are known from the canopy raster only."""

from dataclasses import replace

from public_study import make_result

from routekit.layers.crowns import mark_origin
from routekit.outputs.public.builder import build_public_page
from routekit.outputs.public.facts import collect_facts
from routekit.outputs.public.reduce import reduce_result
from routekit.outputs.public.statements import state_streets, state_trees
from routekit.programme.settings import StringDaysSettings
from routekit.settings.public_page import PublicSettings


def test_the_page_for_residents_says_it_by_street_and_by_tree():
    settings = PublicSettings()
    for said in (True, False):
        result = make_result()
        origin = "canopy raster" if said else "inventory"
        trees = result.trees.assign(origin=origin)
        result = replace(result, trees=mark_origin(trees))
        tables = reduce_result(result)
        facts = collect_facts(tables, settings, StringDaysSettings())
        assert facts.trees["from_raster"].eq(said).all()
        assert len(facts.trees)
        by_street = [each for street in state_streets(facts, settings) for each in street]
        kinds, _ = state_trees(facts.trees)
        assert any(each[:2] == ["trees", "from_raster"] for each in by_street) == said
        assert all((["tree", "from_raster"] in kind) == said for kind in kinds)
        page = build_public_page(result)
        assert ("trees here are known only from heights measured from the air" in page) == said

"""The sample district with parts of its data taken away, and the verdicts that are left."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from counted import count_runs

from routekit import pipeline
from routekit.layers import finishing, read
from routekit.layers.mapping import map_layer
from routekit.methods.checks import tabulate_checks
from routekit.methods.condition import assess_condition
from routekit.methods.evaluate import evaluate_techniques
from routekit.methods.run_facts import find_crossings, prepare_place
from routekit.pipes.new_pipes import PlanSettings, build_plans
from routekit.study import choice_settings
from routekit.trees.open_lines import lay_open_lines

SEED = 20260601

MADE = {
    ("sewers", "depth_input_m"): (1.5, 3.5),
    ("sewers", "catchment_m2"): (500.0, 9000.0),
    ("sewers", "runoff_share"): (0.2, 0.9),
    ("manholes", "depth_m"): (1.5, 3.5),
}
"""Columns that the sample leaves empty: half of their cells are made up, from low to high."""


class Sample:
    """The layers of a study, read from their files once; tests blank what they want of them."""

    def __init__(self, study, monkeypatch):
        self.study, self._patch, self._raws, self._mapped = study, monkeypatch, {}, {}
        real = read.read_layer

        def keep(name, source, **options):
            self._raws[name] = real(name, source, **options)
            return self._raws[name]

        with monkeypatch.context() as patch:
            patch.setattr(read, "read_layer", keep)
            self.mapping = pipeline.prepare_study(study).layers.mapping
        rng = np.random.default_rng(SEED)
        for (layer, name), span in MADE.items():
            frame = self._raws[layer].frame.copy()
            values = rng.uniform(*span, len(frame))
            frame[name] = np.where(rng.random(len(frame)) < 0.5, values, np.nan)
            self._raws[layer] = replace(self._raws[layer], frame=frame)

    def _map(self, raw, *, inputs, findings):
        """Map a layer; one that is whole is mapped once for all tests."""
        if raw is not self._raws[raw.layer]:
            return map_layer(raw, inputs=inputs, findings=findings)
        if raw.layer not in self._mapped:
            self._mapped[raw.layer] = map_layer(raw, inputs=inputs, findings=findings)
        return self._mapped[raw.layer]

    def source(self, layer, column):
        """Column of the layer's file that a canonical column is read from; None for none."""
        if (layer, column) in MADE:
            return column
        mine = self.mapping[(self.mapping["layer"] == layer) & (self.mapping["column"] == column)]
        return None if mine.empty else str(mine["source"].iloc[0])

    def rows(self, layer):
        """Give the number of rows of a layer as read."""
        return len(self._raws[layer].frame)

    def frame(self, layer):
        """Give a layer as read."""
        return self._raws[layer].frame

    def run(self, step, *, blank=(), without=(), filled=()):
        """Take a step with cells blank (layer, column, flags of rows), and without some layers.

        Columns are filled with a value (layer, column, value).
        """
        raws = dict(self._raws)
        for layer, column, value in filled:
            frame = raws[layer].frame.assign(**{self.source(layer, column): value})
            raws[layer] = replace(raws[layer], frame=frame)
        for layer, column, rows in blank:
            frame = raws[layer].frame.copy()
            name = self.source(layer, column)
            frame[name] = frame[name].astype(object).where(~np.asarray(rows), None)
            raws[layer] = replace(raws[layer], frame=frame)
        settings = self.study.settings
        inputs = settings.layers.model_copy(update=dict.fromkeys(without))
        study = replace(self.study, settings=settings.model_copy(update={"layers": inputs}))
        with self._patch.context() as patch:
            patch.setattr(read, "map_layer", self._map)
            patch.setattr(read, "read_layer", lambda name, *_, **__: raws[name])
            patch.setattr(finishing, "hash_source", lambda _: "")
            return step(study)


class Alone(NamedTuple):
    """What is found of every run by itself: checks of all techniques, and what is counted."""

    checks: pd.DataFrame
    counts: pd.DataFrame
    assumed: pd.Series
    findings: pd.DataFrame


def check_alone(study):
    """Check all techniques on every run as if it were renewed by itself, before any string."""
    prepared = pipeline.prepare_study(study)
    settings, layers, runs = study.settings, prepared.layers, prepared.runs
    condition = assess_condition(runs, layers.inspections, settings=settings.methods.condition)
    laid = lay_open_lines(
        runs,
        layers,
        prepared.zones,
        condition,
        flow=settings.flow,
        pipe=settings.pipe,
        trench=settings.trench,
        rules=settings.zones,
    )
    flow, exposure = laid.flow, laid.exposure
    place = prepare_place(
        layers,
        runs,
        prepared.zones,
        exposure,
        condition,
        flow,
        prepared.decided,
        methods=settings.methods,
        layout=choice_settings(settings).layout,
        level_error_m=settings.flow.level_error_m,
    )
    plans = build_plans(
        place.cases,
        PlanSettings(
            flow=settings.flow, pipe=settings.pipe, pull=settings.pull, liner=settings.liner
        ),
    )
    find_crossings(place, layers.services, plans, settings.methods)
    checks = evaluate_techniques(place.cases, plans, settings.methods)
    return Alone(
        checks=tabulate_checks(runs["run_id"], checks),
        counts=count_runs(place.cases, condition),
        assumed=place.cases.set_index("run_id")["assumed"],
        findings=prepared.findings,
    )

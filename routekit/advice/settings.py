"""Settings of the advice: rates, programme, cost and carbon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, TypeAlias

from pydantic import AfterValidator, ValidationInfo, field_validator

from routekit.advice.appraisal import (
    DEFAULT_RULE,
    AppraisalRule,
    check_rule,
    load_appraisal_rules,
)
from routekit.advice.draw_settings import SurenessSettings
from routekit.advice.new_line_settings import NewLineSettings
from routekit.advice.rates import RateGroup, Triple, build_rate_group
from routekit.advice.weights import WeightSettings
from routekit.methods.settings import MethodSettings
from routekit.pipes.settings import (
    FlowSettings,
    LinerSettings,
    PipeSettings,
    PullSettings,
    TrenchSettings,
)
from routekit.settings.declare import Settings, setting
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    UnitRates: TypeAlias = RateGroup
    LifeRates: TypeAlias = RateGroup
    ProductionRates: TypeAlias = RateGroup
    CarbonRates: TypeAlias = RateGroup
    SurveyRates: TypeAlias = RateGroup
else:
    UnitRates = build_rate_group(
        "UnitRates", "unit_rates.csv", "Prices of work and material.", module=__name__
    )
    LifeRates = build_rate_group(
        "LifeRates", "technique_life.csv", "Service life by technique.", module=__name__
    )
    ProductionRates = build_rate_group(
        "ProductionRates", "production.csv", "How fast work goes.", module=__name__
    )
    CarbonRates = build_rate_group(
        "CarbonRates", "carbon.csv", "Carbon of material and work.", module=__name__
    )
    SurveyRates = build_rate_group(
        "SurveyRates", "survey_costs.csv", "Prices of surveys.", module=__name__
    )
from routekit.site.layout import LayoutSettings
from routekit.site.settings import SiteSettings
from routekit.trees.settings import ZoneSettings


class WorkSettings(Settings):
    """How work is counted."""

    lorry_volume_m3: float = setting(
        10.0, unit="m3", source="practice", gt=0, text="Loose soil that one lorry takes."
    )
    lorry_payload_t: float = setting(
        16.0, unit="t", source="practice", gt=0, text="Load that one lorry may carry."
    )
    connection_below_invert_m: float = setting(
        0.20,
        unit="m",
        source="practice",
        ge=0,
        text="A small dig goes this far below the invert of the run.",
    )
    repair_length_m: float = setting(
        0.60, unit="m", source="practice", gt=0, text="Length of the liner of a local repair."
    )
    reinspect_years: float = setting(
        5.0,
        unit="a",
        source="practice",
        gt=0,
        text="A run that is left and monitored is inspected this often.",
    )
    root_cut_years: Triple = setting(
        (2.0, 3.0, 5.0),
        unit="a",
        source="practice",
        text="Where roots are cut and the run is watched, from one visit to the next: fewest, "
        "likely and most years. It follows regrowth: cut roots are back within a few seasons.",
    )
    root_cut_choked_years: Triple = setting(
        (1.0, 2.0, 3.0),
        unit="a",
        source="practice",
        text="The same in a run that is choked by roots, where they come back denser and sooner.",
    )
    root_return_years: Triple = setting(
        (5.0, 8.0, 15.0),
        unit="a",
        source="roots_at_ends",
        text="In a run choked by roots, they are cut again this often at the ends and connections "
        "of a liner or repair: fewest, likely and most years. A choice of this project.",
    )
    root_visit_each: Triple = setting(
        (150.0, 300.0, 600.0),
        unit="currency each",
        source="unit_rates_house",
        text="Roots cut again at ends and connections, for each run and visit; the camera comes "
        "on top.",
    )

    @field_validator("root_return_years", "root_cut_years", "root_cut_choked_years")
    @classmethod
    def _check_interval(
        cls, years: tuple[float, float, float], info: ValidationInfo
    ) -> tuple[float, float, float]:
        """Refuse an interval of no length."""
        if years[0] <= 0:
            raise ValueError(f"{info.field_name} must be above 0, got {years[0]:g}")
        return years


class SiteItemSettings(Settings):
    """How items beside the works themselves are counted: they are priced by tenderers only."""

    working_strip_m: float = setting(
        1.5,
        unit="m",
        source="house",
        ge=0,
        le=10,
        text="People and plant work this far round a pit, dig or trench: ground that is protected "
        "in root zones, and trees that are fenced where it reaches their zone.",
    )
    attend_pit_days: float = setting(
        1.0,
        unit="day each",
        source="house",
        ge=0,
        text="An arborist attends at a pit that reaches a root zone.",
    )
    attend_dig_days: float = setting(
        0.25,
        unit="day each",
        source="house",
        ge=0,
        text="An arborist attends at a small dig that reaches a root zone.",
    )
    attend_trench_m_day: float = setting(
        10.0,
        unit="m/day",
        source="house",
        gt=0,
        text="Trench in root zones that an arborist attends in a day: what a crew digs there.",
    )
    watering_visits: float = setting(
        10.0,
        unit="visits",
        source="house",
        ge=0,
        text="Visits to water a tree whose zone was dug in: monthly over two growing seasons.",
    )


class AdviceSettings(Settings):
    """All settings of this folder."""

    appraisal: Annotated[str, AfterValidator(check_rule)] = setting(
        DEFAULT_RULE,
        unit="-",
        source="house",
        text="Rule by which whole-life costs are worked out: horizon and discount rates; see "
        "appraisal_rules.csv for those that are shipped. The choice of a default is this "
        "project's; the rules are published.",
    )
    grazed_m2: float = setting(
        0.05,
        unit="m2",
        source="house",
        text="A tree of whose zone less than this is dug or severed, outside its structural zone, "
        "is grazed: it stands in a short table and has no sheet to sign; a spade is wider.",
        ge=0,
        le=10,
    )
    weights: WeightSettings = WeightSettings()
    work: WorkSettings = WorkSettings()
    site_items: SiteItemSettings = SiteItemSettings()
    rates: UnitRates = UnitRates()
    life: LifeRates = LifeRates()
    production: ProductionRates = ProductionRates()
    carbon: CarbonRates = CarbonRates()
    sureness: SurenessSettings = SurenessSettings()
    surveys: SurveyRates = SurveyRates()
    new_lines: NewLineSettings = NewLineSettings()

    @property
    def appraisal_rule(self) -> AppraisalRule:
        """The rule in force."""
        return load_appraisal_rules()[self.appraisal]

    @property
    def appraisal_label(self) -> Text:
        """The rule in words, and whether anybody chose it."""
        label = self.appraisal_rule.label
        chosen = "appraisal" in self.model_fields_set
        return label if chosen else say("{rule}, the default", rule=label)


@dataclass(frozen=True, kw_only=True)
class ChoiceSettings:
    """Settings that the choice of a technique rests on; each room takes the part that it uses.

    Attributes
    ----------
    zones, trench, flow, pipe, pull, liner, methods, site, advice : Settings
        The groups of the study file of those names.
    currency : str
    """

    zones: ZoneSettings
    trench: TrenchSettings
    flow: FlowSettings
    pipe: PipeSettings
    pull: PullSettings
    liner: LinerSettings
    methods: MethodSettings
    site: SiteSettings
    advice: AdviceSettings
    currency: str

    @property
    def layout(self) -> LayoutSettings:
        """The part that laying out the works rests on.

        A string is one burst, so that it is no longer than the longest single one.
        """
        longest_m = min(self.site.strings.reach_m, self.methods.bursting.max_length_m)
        strings = self.site.strings.model_copy(update={"reach_m": longest_m})
        return LayoutSettings(
            zones=self.zones,
            site=self.site.model_copy(update={"strings": strings}),
            pipe=self.pipe,
            pull=self.pull,
            connection_below_invert_m=self.advice.work.connection_below_invert_m,
        )

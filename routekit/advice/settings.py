"""Settings of the advice: rates, programme, cost and carbon."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from routekit.advice.rates import RateGroup, build_rate_group
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

if TYPE_CHECKING:
    UnitRates: TypeAlias = RateGroup
    LifeRates: TypeAlias = RateGroup
    ProductionRates: TypeAlias = RateGroup
    CarbonRates: TypeAlias = RateGroup
else:
    UnitRates = build_rate_group("UnitRates", "unit_rates.csv", "Prices of work and material.")
    LifeRates = build_rate_group("LifeRates", "technique_life.csv", "Service life by technique.")
    ProductionRates = build_rate_group("ProductionRates", "production.csv", "How fast work goes.")
    CarbonRates = build_rate_group("CarbonRates", "carbon.csv", "Carbon of material and work.")
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
    horizon_years: float = setting(
        100.0,
        unit="a",
        source="renewal_horizon",
        gt=0,
        text="Years over which renewals are counted for the whole-life cost.",
    )
    discount_rate: float = setting(
        0.0,
        unit="1/a",
        source="renewal_horizon",
        ge=0,
        lt=1,
        text="Yearly rate at which later renewals weigh less.",
    )


class AdviceSettings(Settings):
    """All settings of this folder."""

    weights: WeightSettings = WeightSettings()
    work: WorkSettings = WorkSettings()
    rates: UnitRates = UnitRates()
    life: LifeRates = LifeRates()
    production: ProductionRates = ProductionRates()
    carbon: CarbonRates = CarbonRates()


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
        """The part that laying out the works rests on."""
        return LayoutSettings(
            zones=self.zones,
            site=self.site,
            pipe=self.pipe,
            pull=self.pull,
            connection_below_invert_m=self.advice.work.connection_below_invert_m,
        )

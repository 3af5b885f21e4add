"""Settings of the draws that tell how sure a recommendation is, and what surveys cost."""

from __future__ import annotations

from typing import Self

from pydantic import model_validator

from routekit.advice.rates import Triple
from routekit.settings.declare import Settings, setting


class SurenessSettings(Settings):
    """What is drawn, how often, and from which share of draws a recommendation is sure."""

    is_on: bool = setting(
        True,
        unit="-",
        source="house",
        text="Tell how sure each recommendation is; off saves up to a seventh of the time.",
    )
    draws: int = setting(
        200,
        unit="-",
        source="house",
        ge=20,
        le=5000,
        text="How often prices, lives, rules, weights, flow and positions are drawn.",
    )
    seed: int = setting(
        1, unit="-", source="house", ge=0, text="Number from which the draws begin: they repeat."
    )
    sure_from: float = setting(
        0.9,
        unit="share",
        source="house",
        gt=0.5,
        le=1,
        text="Share of the draws from which the best technique is sure.",
    )
    likely_from: float = setting(
        0.6,
        unit="share",
        source="house",
        gt=0,
        le=1,
        text="Share of the draws from which it is likely; below it is open.",
    )
    flow_band: Triple = setting(
        (0.8, 1.0, 1.2),
        unit="-",
        source="practice",
        text="Required flow over the one in force: least, middle and most; where it comes from a "
        "design flow or the area drained, not where it is what the sound old pipe carries.",
    )
    weight_band: Triple = setting(
        (0.5, 1.0, 2.0),
        unit="-",
        source="practice",
        text="Weights of harm, caution, flow, surveys and carbon over those in force: least, "
        "middle and most; each is drawn by itself.",
    )

    @model_validator(mode="after")
    def _check_shares(self) -> Self:
        """Refuse a likely that is above sure."""
        if self.likely_from > self.sure_from:
            raise ValueError(
                f"likely_from must not be above sure_from, got {self.likely_from:g} and "
                f"{self.sure_from:g}"
            )
        return self

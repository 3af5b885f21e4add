"""Limits in force against the page they were taken from, in its own feet and inches."""

import pytest

from routekit.methods.settings import BurstingSettings, ConditionSettings
from routekit.pipes.settings import FlowSettings, LinerSettings, PipeSettings
from routekit.settings.sources import load_sources
from routekit.site.settings import StringSettings
from routekit.trees.regimes import load_regime

FT_M, IN_MM = 0.3048, 25.4
NOMINAL_MM = {inches: 25 * inches for inches in (4, 12, 20)}
"""Pipes named in inches and in DN: 12 in is DN 300."""
BURST = BurstingSettings()
STANDING = load_sources()["standing"]

# Najafi 2010 p. 240, Table 6.1, quoting the ASCE Pipe Bursting Manual of Practice 2007
# (published): routine up to the first border, a special job beyond the second.
BORDERS = [
    pytest.param(BURST.caution_depth_m, 12 * FT_M, 0.005, id="routine depth, 12 ft"),
    pytest.param(BURST.max_depth_m, 18 * FT_M, 0.005, id="largest depth, 18 ft"),
    pytest.param(BURST.caution_length_m, 350 * FT_M, 0.05, id="routine length, 350 ft"),
    pytest.param(BURST.max_length_m, 450 * FT_M, 0.05, id="largest length, 450 ft"),
    pytest.param(BURST.min_host_mm, NOMINAL_MM[4], 0, id="least host, 4 in"),
    pytest.param(BURST.caution_host_mm, NOMINAL_MM[12], 0, id="routine host, 12 in"),
    pytest.param(BURST.max_host_mm, NOMINAL_MM[20], 0, id="largest host, 20 in"),
    pytest.param(BURST.caution_steps_up, 1, 0, id="routine upsizing, one size"),
    pytest.param(BURST.max_steps_up, 2, 0, id="most upsizing, two sizes"),
    # US municipal sewer code, clause 33.159 (published): services nearer than 12 in are exposed.
    pytest.param(BURST.exposed_clearance_m, 12 * IN_MM / 1000, 0.0005, id="exposed, 12 in"),
    # Najafi 2010 p. 240-241 (published): a typical run is 300 to 500 ft; whole tens of metres.
    pytest.param(StringSettings().reach_m, 500 * FT_M // 10 * 10, 0, id="reach, 500 ft"),
    # Najafi 2010 p. 257 (published): 12 to 24 h of rest.
    pytest.param(PipeSettings().rest_hours, 24, 0, id="rest, 24 h"),
    # Najafi 2010 p. 77 (published): 250,000 psi, safety 2, enhancement 7.
    pytest.param(LinerSettings().modulus_mpa, 250_000 * 0.00689476, 0.5, id="liner, 250,000 psi"),
    pytest.param(LinerSettings().safety, 2, 0, id="liner, safety 2"),
    pytest.param(LinerSettings().enhancement, 7, 0, id="liner, enhancement 7"),
    # Ostberg et al. 2012 (published): plants within 10 m were looked at (a design, no reach).
    pytest.param(ConditionSettings().association_radius_m, 10, 0, id="roots, 10 m"),
    # DVGW GW 323 / DWA-M 143-15 (memory): cover of ten expansions, clearance of five and 0.40 m.
    pytest.param(BURST.cover_per_expansion, 10, 0, id="cover, 10 expansions"),
    pytest.param(BURST.clearance_per_expansion, 5, 0, id="clearance, 5 expansions"),
    pytest.param(BURST.min_clearance_m, 0.40, 0, id="clearance, 0.40 m"),
    # EN 752 (memory): 0.7 m/s once a day.
    pytest.param(FlowSettings().min_velocity_m_s, 0.7, 0, id="self-cleansing, 0.7 m/s"),
    # Ten States Standards, chapter on sewers (memory): 15 ft/s.
    pytest.param(FlowSettings().max_velocity_m_s, 15 * FT_M, 0.05, id="wear, 15 ft/s"),
    # ASTM F1804 practice (memory): 3,500 psi at yield.
    pytest.param(PipeSettings().yield_mpa, 3500 * 0.00689476, 0.05, id="yield, 3,500 psi"),
]


@pytest.mark.parametrize(("setting", "published", "rounding"), BORDERS)
def test_setting_is_the_published_value(setting, published, rounding):
    assert setting == pytest.approx(published, abs=rounding)


@pytest.mark.parametrize("name", ["as4970_2009", "as4970_2025"])
def test_major_share_of_the_australian_standard(name):
    """AS 4970-2009, clause 3.3 (memory): an encroachment above 10 % of the zone is major."""
    regime = load_regime(name)
    assert regime.major_from_share == 0.10
    assert STANDING[regime.sources["major_from_share"]] == "memory"


@pytest.mark.parametrize(
    "name", ["bs5837_2012", "din18920", "nl_stem_table", "us_matheny_clark", "us_ft_per_in"]
)
def test_where_the_standard_names_no_share_the_borrowed_one_says_so(name):
    """BS 5837 and the others name no share of loss: 10 % is this project's choice."""
    regime = load_regime(name)
    assert regime.major_from_share == 0.10
    assert STANDING[regime.sources["major_from_share"]] == "house"

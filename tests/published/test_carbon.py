"""Carbon for each metre against published factors; the arithmetic stands beside each value."""

import numpy as np
import pytest

from routekit.advice.quantities import work_carbon
from routekit.advice.settings import AdviceSettings, CarbonRates
from routekit.pipes.pe import pipe_mass
from routekit.pipes.settings import PipeSettings, TrenchSettings
from routekit.pipes.trench import dug_volume, surround_volume

CARBON = AdviceSettings().carbon
NOTHING = np.zeros((1, 3))
MID = 1


def carbon_of(part, *, spoil_t=0.0, carbon=CARBON, **items):
    work = {name: np.array([amount]) for name, amount in items.items()}
    return work_carbon(work, NOTHING + spoil_t, NOTHING, carbon, 1)[f"co2e_{part}_kg"][0, MID]


def test_pe_315_sdr_17_by_ice_v2():
    # ICE V2 (published): HDPE pipe 2.52 kgCO2e/kg; EN 12201-2 wall 18.7 mm (published) gives
    # 16.711 kg/m; 16.711 * 2.52 = 42.11.
    mass = float(pipe_mass(315.0, 17.0, PipeSettings()))
    assert mass == pytest.approx(16.711, abs=0.001)
    assert carbon_of("embodied", pe_kg=mass) == pytest.approx(42.11, abs=0.01)


def test_asphalt_of_a_metre_by_ice_v2():
    # ICE V2 (published): asphalt with 5 % binder 0.071; 1.30 m x 0.12 m x 2.35 t/m3 (density and
    # thickness from memory) = 366.6 kg; 366.6 * 0.071 = 26.03.
    got = carbon_of("embodied", reinstate_carriageway_m2=1.30)
    assert got == pytest.approx(26.03, abs=0.005)


def test_surround_of_a_metre_by_ice_v2():
    # ICE V2 (published): sand and gravel 0.005; W 0.90, bed 0.10, OD 0.315, cover 0.15 gives
    # 0.4306 m3; x 1.8 t/m3 (memory) = 775.0 kg; 775.0 * 0.005 = 3.875.
    volume = float(surround_volume(0.90, 315.0, TrenchSettings()))
    assert volume == pytest.approx(0.4306, abs=5e-5)
    assert carbon_of("embodied", imported_m3=volume) == pytest.approx(3.875, abs=0.002)


def test_spoil_transport_of_a_metre():
    # Arithmetic with a lorry factor from memory (0.11 kgCO2e/tkm): 0.90 x 2.5 = 2.25 m3,
    # x 1.9 t/m3 = 4.275 t, x 20 km x 0.11 = 9.405.
    mass = float(dug_volume(0.90, 2.5, TrenchSettings())) * 1.9
    assert carbon_of("transport", spoil_t=mass) == pytest.approx(9.405, abs=1e-9)


def test_diesel_to_dig_a_metre():
    # Diesel 2.51 kgCO2e/l, UK pump blend (published); 0.25 l/m3 (memory):
    # 2.25 x 0.25 x 2.51 = 1.412.
    got = carbon_of("plant", machine_m3=2.25)
    assert got == pytest.approx(1.412, abs=0.0005)


# ICE V2 (published) kgCO2e/kg: what one tonne of each material comes to, in kg.
@pytest.mark.parametrize(
    ("item", "factor"),
    [
        pytest.param("pe_kg", 2.52, id="ICE-V2-HDPE-pipe"),
        pytest.param("aggregate_kg", 0.005, id="ICE-V2-sand-gravel"),
        pytest.param("asphalt_kg", 0.071, id="ICE-V2-asphalt-5-percent"),
        pytest.param("grout_kg", 0.182, id="ICE-V2-mortar-1:4"),
    ],
)
def test_factors_of_ice_v2(item, factor):
    assert CARBON.triple(item)[MID] == factor


def test_asphalt_spread_is_ice_v2_by_binder():
    # ICE V2 (published): 4, 5 and 6 % binder.
    assert CARBON.triple("asphalt_kg").tolist() == [0.066, 0.071, 0.076]


def test_a_factor_of_the_study_replaces_the_default():
    dearer = CarbonRates.model_validate({"pe_kg": [3.0, 3.0, 3.0]})
    assert carbon_of("embodied", carbon=dearer, pe_kg=10.0) == pytest.approx(30.0)

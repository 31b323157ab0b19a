"""Looking up published constants by name."""

import pytest

from tapecalc.calc import standards
from tapecalc.calc.units import to_si


def test_an_equalization_is_found_by_its_name():
    entry = standards.equalization("NAB 3.75 ips")
    assert (entry.tau_low, entry.tau_high) == pytest.approx((3180e-6, 90e-6))


def test_an_unknown_name_gets_its_nearest_or_the_list():
    with pytest.raises(ValueError, match="equalization 'NAB 7.5' is not known; did you mean 'NAB 7.5 ips'"):
        standards.equalization("NAB 7.5")
    with pytest.raises(ValueError, match="equalization 'x' is not known; known: AES 30 ips"):
        standards.equalization("x")


def test_every_equalization_belongs_to_a_nominal_speed():
    nominal = {round(to_si(speed, "ips"), 9) for speed in standards.SPEEDS_IPS}
    assert {round(entry.speed, 9) for entry in standards.EQUALIZATIONS.values()} <= nominal


@pytest.mark.parametrize(("speed", "flux"), [(0.762, 320), (0.136, 320), (0.133, 250), (0.0476, 250)])
def test_the_usual_reference_flux_is_that_of_the_nearest_usual_speed(speed, flux):
    # Between 7.5 and 3.75 ips, 19.05 and 9.525 cm/s, lies by ratio 13.47 cm/s.
    assert standards.usual_reference_flux(speed) == pytest.approx(flux * 1e-9)

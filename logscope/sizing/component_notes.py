"""What to consider beside the numbers: relay, contactor, fuse, controller, resistor. Common practice."""

from __future__ import annotations

from logscope.physics.discharge import SAFE_V
from logscope.sizing.precharge import PrechargeDesign
from logscope.sizing.words import figures


def component_notes(design: PrechargeDesign) -> tuple[tuple[str, str], ...]:
    """What each is about, and a few sentences with the numbers of this design."""
    needs, values = design.needs, design.values

    def at_most(name: str, unit: str) -> str:
        return figures(values[name].high, unit)

    def stated(name: str, unit: str) -> str:
        return figures(values[name].value, unit)

    highest_v = f"{needs.highest_v:g} V DC"
    found = [
        (
            "Precharge relay",
            f"It must make and break {at_most('peak_current_A', 'A')} at {highest_v}: into a shorted link the peak "
            f"current flows until the timeout. An AC rating says nothing about DC. It sits in series with the "
            f"resistor, across the main contactor of one pole. The contactor of the other pole closes first and is "
            f"never bridged.",
        ),
        (
            "Main contactor",
            f"It closes onto a difference of up to {at_most('close_difference_V', 'V')}. Through a loop of "
            f"{1e3 * needs.loop_ohm:g} mΩ and {1e6 * needs.loop_H:g} µH this drives up to "
            f"{at_most('inrush_bound_A', 'A')}: compare with its rated making current. The precharge relay opens "
            f"after the contactor has closed.",
        ),
        (
            "Fuse",
            f"Every start lets through up to {at_most('let_through_A2s', 'A²s')}: the fuse's melting I²t must be well "
            f"above that. It must break {highest_v}. A fuse does not protect the resistor from a stalled precharge, "
            f"whose current is no higher than at every start. The timeout does, or a thermal cut-out on the resistor.",
        ),
        (
            "Controller",
            f"Close only when the link has reached {100 * needs.close_fraction:.4g} % of the pack voltage measured at "
            f"the same moment, never by time alone. Open the relay after {stated('timeout_s', 's')}, report, and wait "
            f"the retry interval. With a shorted link the resistor has then absorbed "
            f"{at_most('shorted_energy_J', 'J')}; only {at_most('shorted_half_way_J', 'J')} if the relay opens after "
            f"{stated('half_way_s', 's')} where the link is still below half of pack voltage.",
        ),
        (
            "Resistor",
            f"Its data sheet must state the energy of a single pulse of about {stated('time_constant_s', 's')}; a "
            f"continuous rating, or an overload over 5 s, says nothing about pulses this short. Use one resistor, or "
            f"equal ones in series that share voltage and energy, rated for {highest_v}. Mount it where nothing near "
            f"it can burn.",
        ),
    ]
    if needs.load_W is not None:
        lower = at_most("lower_resting_voltage_V", "V")
        found.append(
            (
                "Load",
                f"Start it after the main contactor has closed, if you can. During precharge it must start above "
                f"{lower}. What it draws beyond its {needs.load_W:g} W while it starts is not included here.",
            )
        )
    if needs.highest_v <= SAFE_V:
        found.append(("Voltage class", f"At {highest_v} the link is not of voltage class B: no time to 60 V applies."))
    return tuple(found)

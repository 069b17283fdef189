"""What to consider beside the numbers: relay, contactor, fuse, controller, resistor. Common practice."""

from __future__ import annotations

from logscope.physics.discharge import SAFE_V
from logscope.sizing.precharge import PrechargeDesign
from logscope.sizing.words import figures


def points(design: PrechargeDesign) -> tuple[tuple[str, str], ...]:
    """What each is about, and a few sentences with the numbers of this design."""
    wish, values = design.wish, design.values

    def at_most(name: str, unit: str) -> str:
        return figures(values[name].high, unit)

    def stated(name: str, unit: str) -> str:
        return figures(values[name].value, unit)

    most_v = f"{wish.most_v:g} V DC"
    found = [
        (
            "Precharge relay",
            f"Must make {at_most('peak_current_A', 'A')} at {most_v}, and break as much: into a shorted link the peak "
            f"current flows until the timeout. An AC rating says nothing about DC. It sits in series with the "
            f"resistor, across the main contactor of one pole; the contactor of the other pole closes first and is "
            f"never bridged.",
        ),
        (
            "Main contactor",
            f"Closes onto up to {at_most('close_difference_V', 'V')}; through a loop of {1e3 * wish.loop_ohm:g} mΩ and "
            f"{1e6 * wish.loop_H:g} µH that drives up to {at_most('inrush_bound_A', 'A')}. Compare with its rated "
            f"making current. The relay opens after it has closed.",
        ),
        (
            "Fuse",
            f"A charge lets through up to {at_most('let_through_A2s', 'A²s')}; the fuse's melting I²t must be well "
            f"above, for it passes at every start. It must break {most_v}. A fuse does not protect the resistor from a "
            f"stall: that current is no higher than at every start. The timeout does, or a thermal cut-out on "
            f"the resistor.",
        ),
        (
            "Controller",
            f"Close only when the link has reached {100 * wish.close_fraction:.4g} % of the pack voltage measured at "
            f"the same moment, never by time alone. Open the relay after {stated('timeout_s', 's')}, report, and wait "
            f"the retry interval. With the link shorted the resistor has taken {at_most('shorted_energy_J', 'J')} by "
            f"then; {at_most('shorted_half_way_J', 'J')} if the relay opens after {stated('half_way_s', 's')} "
            f"already when the link has not passed half of pack voltage.",
        ),
        (
            "Resistor",
            f"Its data sheet must state the energy of a single pulse of about {stated('time_constant_s', 's')}; a "
            f"continuous rating, or an overload over 5 s, says nothing about pulses this short. One piece, or equal "
            f"ones in series that share voltage and energy; rated for {most_v}; mounted where nothing near it can "
            f"burn.",
        ),
    ]
    if wish.load_W is not None:
        lower = at_most("lower_resting_voltage_V", "V")
        found.append(
            (
                "Load",
                f"Better start it after the main contactor has closed. During the charge it must start above {lower}; "
                f"what it takes beyond its {wish.load_W:g} W while it starts up is not in this calculation.",
            )
        )
    if wish.most_v <= SAFE_V:
        found.append(("Voltage class", f"At {most_v} the link is not of voltage class B: no time to 60 V applies."))
    return tuple(found)

"""Precharge: measure each attempt, judge it, put it into words.

In the order of the data: `breakpoint` and `lagged_closing` (where the contactor closed, without and behind a sensing
lag), `measure` (these and the fit of `curves/rise` together), `witness` (what else shows RC), `compare` (with R·C),
`judge` (the kind), `values`, `evidence`, `text` and `doubt` (what the finding states, draws and says, and what stays
open), `stress` and `overload` (heat in the resistor), `drift` (over the attempts), `check` (the check itself). The
attempts are an observation (`observations/dc_link`).

The link's own voltage makes an attempt; flags may lag or be absent, and only help (`dc_link/attempts`). A contactor
that closes breaks the curve off; the place is found by comparing the broken with the unbroken curve over all places
(`breakpoint`); behind a sensing lag the reading settles instead of stepping, and curve and settling are fitted
together (`lagged_closing`). Where `resistance_ohm` is given, each attempt also states `resistor_energy_J` and
`resistor_peak_power_W`, and a stall what it has put into the resistor since (`stress`). The curve is fitted with its
error model, that is noise, rounding and jittering stamps, by adaptive importance sampling of the posterior
(`curves/rise`, `statistics/importance`, `statistics/rounding`), because rounding on a level that never moves is no
normal noise, and limits from least squares would be far too narrow there. One pole or two is decided by evidence.
Behind a filter the limits are those of one lag, two lags and a moving average, each by its evidence; a lag that one
exponential may hide is allowed for as well, and residuals that keep their sign widen the limits. "Slow" and "fast"
need the 99.9 % limits clear of the band (`judge`), "slow" also that no link as expected behind sensing lags explains
the samples as well (`behind_lag`); where one does, only the upper limit of the constant is stated. No curve leads
above the pack: draws that do are left out, and a fit that wants to is bent by a contactor that closed behind the
sensing. The settling behind a closing shows which constant is the lag only where something was left to settle with
either. A rise with a hole longer than its time constant is undetermined, and so is one that would be good, where a
contactor that closed far too early explains the samples as well.

A reading follows the link and never leads it: what comes to its end sooner than a fifth of R·C allows went past the
resistor, whatever filter bends its curve (`judge`). So may a fast link have whose constant a sensing lag explains too.

A rise of which much may have come through the contactor at once, as in a hot restart, is not called slow or fast.

Repeated readings are one reading. A sensor slower than its message runs on a clock of its own: counted where the link
moves too much for two readings to be equal, its readings show that clock to a fraction of a percent, and the times of
the curve are then its own (`observations/dc_link/readings`, `curves/timestamps.sensor_clock`); what stays uncertain of
its period stretches the limits. Without it, the age of a reading is uniform over the message's period. Stamps on a
coarse grid give way to the count of messages. Of messages that come in one burst, or bear one stamp, the last is used.
`Part.period_s` is that of *new* values; `Part.spacing_s` is the messages', and `statistics/sampling.gap_threshold_s`
says what is a gap in either.
"""

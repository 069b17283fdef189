"""Does what is mapped fit together? Asked before any check: `examine` takes out what does not, with a finding each.

Before anything is related to anything, `plausibility/clean` takes single samples out of their parts. *Marks* are raw
values at the edges of the field (`marks`: SAE J1939-71 and common practice); a true reading can stand there too, so
each run of them is judged by its neighbours and by what the part can be at all (`no_value`, `possible`): impossible,
or a jump there and back with nothing between, or unmoved for a log, or in one frame with marks that are certain. A
pedal at 100 %, an offset's zero, a sensor that climbs to its limit and a surge out of rest stay. *Waking* readings
are zeros and defaults after the start of a message, or after its silence, that end with a step no capacitor, battery
or shaft can make (`waking`); what could have happened stays and is judged by the checks. A part that never changes is
doubted where something else in the log must have moved it (`constant`).

*Two contents* of one identifier (`two_contents`): foreign frames come besides the regular ones, so readings around
them lie one period apart, or their stamp holds one frame more; a disturbance replaces a reading, and a burst on a
coarse grid has the same pace everywhere. Two senders of one period alternate with uneven steps. What pace does not
separate (states sent at their changes, bursts of an uneven number) is not claimed.

`plausibility/examine` runs before every check. Values of the vehicle file that nobody can mean go first
(`configuration`), then integers read the wrong way round (`byte_order`: where both bytes change, the swapped reading
is far smoother), then single readings, then whole parts:

- **Ties** (`ties`): what physics or the vehicle file demands of a product of readings, as a range of its ratio: link
  over pack while joined (`voltages`), shaft over road over stator (`speeds`), shaft over battery power, auxiliaries
  apart (`power`), a value over its target (`targets`), one reading over its limits (`ranges`). A slip of one part
  breaks every tie that it is in and no other, so the suspect is the part whose single usual slip (`slips`) mends all
  broken ties and breaks none. Several suspects are all in doubt. What no usual slip explains is doubted only where
  nothing physical explains it either (`Unexplained`), else reported as odd or left to the checks.
- **Signs** (`signs`): products that must be positive, judged alike: sag against current, shaft against battery power,
  torque against acceleration, a value against its target.
- **States** (`states`): a contactor that reads open while a drive's power flows, one that reads closed through each
  gradual rise while another closes after it, a battery that charges through a resistor.
- **Temperatures** (`temperatures`): out of all range, or alone beside two that agree at the start.

Readings that agree at a fair share of the moments are of one scale, whatever happens at others: so an open or
charging link, a spinning wheel, another gear, a lag or a stale value breaks no tie. Parts with foreign content
between their readings take no part (`coherent`). A part in doubt is taken out of the `Signals`; `Signals.missed`
knows which check asked for it, and `not_checked` says so. `Result.logged` still has it, for the charts. Only doubts
lead the page: what was merely left out waits its turn.

**A relation** is a function `(signals, vehicle) → Iterator[Tie]`, one row in `_RELATIONS` of `scales`. Ask first what
a sound vehicle does that would break it, and let the tie be sound or absent then; `suspects` does the rest.
"""

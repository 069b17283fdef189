"""What a recording shows while it is made, by the same decoding, observations and checks as the report afterwards.

`window` keeps the decoded parts of the last two minutes, `sequence` says where precharge and contactors stand, `judge`
runs checks on the window when something has happened, `view` puts it all into one picture of the moment. Nothing here
knows of adapters, files or the terminal; time is the time of the frames, so that a log can be shown again (`replayed`).
While it is recorded this runs in a process of its own (`process`, `work`), for a fit must never hold up a reader.

What runs live, and its limits: precharge and trips by their checks, on the window, when each is over; disturbances of
the motor speed by the observation of the encoder check, for each minute; margins by the check of the limits, the worst
of all windows; the bus by its load and error frames. All else waits for the report: what needs the whole recording,
such as drifts, heat that several attempts add up, rates against current, and every other check. A console's own clock
is not used: its samples count from their arrival.
"""

"""What real loggers, controllers and sensors do to the values of a vehicle before they stand in a log.

Each file holds one kind of effect: a frozen description that a seed draws, and pure functions that apply it. They work
on the messages that controllers send (`Sent`) or on the frames that a logger stamps, and can be combined at will:

    sensor      `sensing`      low-passes between the link and its reading
                `refresh`      a sensor slower than its message, so that readings repeat
    controller  `states`       how relays and contactors are reported: together, apart at 10 Hz, as one enumeration
                `boot`         waking and restarting controllers
                `no_value`     marks for "no value"
                `repetition`   one value once more in a second, slower message
    bus         `foreign`      frames of other content under a valid identifier
    logger      `logger`       grids, blocks, order, clock and date of the stamps

`shown` says which openings of contactors a log still shows after all that.

The sizes are those measured on logs of real vehicles (shown in "What real logs do" of the trade's background), or
judgement where a file says so. `what` of each description names it in the tables of the scorers.
"""

"""Times of a console's rows on both sides of each limit: by hand, common practice, no published source."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan

import numpy as np
import pytest
from serial_definitions import CONSOLE, FIELD_TIME, defined

from logscope.capture import serial_assemble as assembly
from logscope.capture.frames import BadLine, Gap
from logscope.capture.samples import SerialAccount, SerialLog
from logscope.capture.serial_assemble import Rows, assemble, first_bad, stray, unroll

MS = 1_000_000
S = 1_000_000_000
PAIRS = CONSOLE + "[pairs]\n"
SIGNALS = '[[signal]]\nname = "Speed"\nscale = 2\noffset = 1\nunit = "rpm"\n[[signal]]\nname = "Volts"\nunit = "V"\n'
BY_FIELD = PAIRS + FIELD_TIME + SIGNALS


def stamped(kind: str) -> str:
    return f'{PAIRS}[time]\nstamp = "{kind}"\n{SIGNALS}'


def ms(*milliseconds: float) -> np.ndarray:
    return np.array([round(each * MS) for each in milliseconds], np.int64)


def rows(*time: float, value: list[list[float]] | None = None, stamp_ns: list[int] | None = None) -> Rows:
    """Rows on lines 11, 12 and so on, before which twice as many samples came."""
    count = len(time)
    place = np.arange(count)
    return Rows(
        line=place + 11,
        turn=2 * place,
        value=np.array(value if value is not None else [[float(k), 300.0] for k in range(count)]).reshape(count, 2),
        time=np.array(time, np.float64),
        stamp_ns=None if stamp_ns is None else np.array(stamp_ns, np.int64),
    )


def account(count: int) -> SerialAccount:
    return SerialAccount(files=("c.txt",), lines=count + 2, sample_lines=count, other=1, lines_bad=1)


def assembled(toml: str, made: Rows) -> SerialLog:
    return assemble(defined(toml), made, account(len(made)))


def times_ms(log: SerialLog, name: str = "Speed") -> list[float]:
    return (log.signals[name].time_ns / MS).tolist()


# -- one value apart from its neighbours ------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "following", "strays"),
    [
        # readings every 10 ms: up to 20 steps of that are likely
        (220, 40, False),
        (221, 40, True),
        (19, 40, False),  # back, and then on by a likely step
        (-160, 40, False),
        (-161, 40, True),
        (1000, 220, True),  # around it, from 20 to 220
        (1000, 221, False),
        (1000, 20, True),
        (1000, 19, False),  # the neighbours do not agree: a step of the clock
    ],
)
def test_a_stray_value_is_further_than_twenty_steps_from_neighbours_that_agree(
    value: int, following: int, strays: bool
) -> None:
    ticks = ms(0, 10, 20, value, *(following + 10 * k for k in range(4)))
    assert stray(ticks, None).tolist() == [False] * 3 + [strays] + [False] * 4


def test_first_and_last_value_and_those_of_a_short_log_do_not_stray() -> None:
    assert stray(ms(9000, 10, 20, 30, 40, 9000), None).sum() == 0
    assert stray(ms(0, 9000), None).tolist() == [False, False]
    assert stray(ms(0, 10, 5000, 10, 20), None).tolist() == [False, False, True, False, False]


# -- overflow, restart, order -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("after", "overflows", "resets", "step"),
    [
        (164, 1, 0, 200),  # 65 500 to 65 536 and 164 more: 20 steps
        (165, 0, 1, 165),
        (36, 1, 0, 72),
        (30_000, 0, 1, 30_000),  # the counter shows when it started
        (30_001, 0, 1, 10),
    ],
)
def test_a_counter_that_falls_has_overflowed_within_twenty_steps_or_started_again(
    after: int, overflows: int, resets: int, step: int
) -> None:
    ticks = [65_480, 65_490, 65_500, *(after + 10 * k for k in range(3))]
    clock = unroll(ms(*ticks), 65_536 * MS, restarts=True)
    assert (clock.overflows, clock.resets, clock.unplaced_resets) == (overflows, resets, int(after > 30_000))
    assert clock.time_ns.tolist() == ms(65_480, 65_490, *(65_500 + s for s in (0, step, step + 10, step + 20))).tolist()
    assert clock.reset_at == ((3,) if resets else ())


@pytest.mark.parametrize(
    ("back", "following", "resets"),
    [
        (820, 1020, 0),  # back by 20 steps, and made good by the next
        (819, 1020, 1),
        (900, 1019, 1),  # not made good
        (900, 1020, 0),
    ],
)
def test_a_step_back_that_the_next_value_makes_good_is_left(back: int, following: int, resets: int) -> None:
    clock = unroll(ms(1000, 1010, 1020, back, following, following + 10, following + 20), None, restarts=True)
    assert clock.resets == resets


def test_a_restart_costs_a_typical_step_at_the_shortest() -> None:
    """Steps of 10, 10, 10 and 40 ms ahead: 10 is typical; the counter shows 3 ms since its start."""
    clock = unroll(ms(5000, 5010, 5020, 5060, 3, 13), None, restarts=True)
    assert clock.time_ns.tolist() == ms(5000, 5010, 5020, 5060, 5070, 5080).tolist()
    assert (clock.resets, clock.unplaced_resets, clock.reset_at) == (1, 0, (4,))
    for few in ([], [7]):
        short = unroll(ms(*few), None, restarts=True)
        assert (short.time_ns.tolist(), short.resets, short.overflows, short.reset_at) == (
            [7 * MS][: len(few)],
            0,
            0,
            (),
        )


# -- from rows to signals ---------------------------------------------------------------------------


def test_values_are_scaled_ordered_and_kept_where_they_are_finite() -> None:
    value = [[1.0, 300.0], [2.0, nan], [3.0, 302.0], [inf, 1e308]]
    log = assembled(stamped("epoch"), rows(*[nan] * 4, value=value, stamp_ns=[10 * S, 12 * S, 11 * S, 13 * S]))
    assert (log.signals["Speed"].time_ns / S).tolist() == [10, 11, 12]
    assert log.signals["Speed"].value.tolist() == [3.0, 7.0, 5.0]
    assert (log.signals["Volts"].time_ns / S).tolist() == [10, 11, 13]
    assert log.signals["Volts"].value.tolist() == [300.0, 302.0, 1e308]
    assert log.account == replace(account(4), out_of_order=1, notes=("Console.Speed: 1 infinite values were left out",))
    assert log.console == "Console"


@pytest.mark.parametrize(("kind", "dated"), [("iso", True), ("epoch", True), ("clock", False), ("uptime", False)])
def test_only_stamps_with_a_date_make_a_dated_log(kind: str, dated: bool) -> None:
    assert assembled(stamped(kind), rows(nan, nan, stamp_ns=[0, S])).dated is dated
    assert not assembled(BY_FIELD, rows(0, 10)).dated


def test_a_stated_rate_gives_each_sample_its_turn() -> None:
    """At 8 samples a second, samples 0, 2 and 4: a quarter of a second apart."""
    log = assembled(PAIRS + "[time]\nrate_Hz = 8\n" + SIGNALS, rows(nan, nan, nan))
    assert times_ms(log) == [0.0, 250.0, 500.0]
    note = "Console: the log holds no time; 8 samples per second are assumed"
    assert (log.account.notes, log.account.assumptions, log.account.sample_lines) == ((note,), (note,), 3)


@pytest.mark.parametrize(
    ("wrap", "unit", "last", "there"),
    [
        ("", "s", 4e9, True),  # the year 2096
        ("", "s", 4.0001e9, False),
        ("", "ms", 4e12, True),
        ("", "us", 4.0001e15, False),
        ("wrap_bits = 16\n", "ms", 65_535, True),
        ("wrap_bits = 16\n", "ms", 65_536, False),
        ("wrap_bits = 8\n", "ms", 255, True),
        ("wrap_bits = 8\n", "ms", 256, False),
        ("", "ms", 0, True),
        ("", "ms", -1, False),
    ],
)
def test_a_time_is_what_its_counter_can_hold(wrap: str, unit: str, last: float, there: bool) -> None:
    toml = f'{PAIRS}[time]\nfield = "t"\nunit = "{unit}"\n{wrap}{SIGNALS}'
    log = assembled(toml, rows(last))
    assert len(log.signals["Speed"]) == int(there)
    bad = () if there else (BadLine("c.txt", 11, "its time is out of range"),)
    assert log.account == replace(account(1), sample_lines=int(there), lines_bad=2 - int(there), bad=bad)


def test_rows_without_a_time_have_that_of_the_last_one() -> None:
    log = assembled(BY_FIELD, rows(nan, 10, nan, 20, nan))
    assert times_ms(log) == [10, 10, 20, 20]
    assert log.account.bad == (BadLine("c.txt", 11, "it comes before the first time"),)
    assert (log.account.sample_lines, log.account.lines_bad) == (4, 2)
    assert log.account.notes == ("Console: lines without a time got the time of the last line that has one (2)",)
    early = assembled(BY_FIELD, rows(nan, nan, 10, 20))
    assert ([bad.line for bad in early.account.bad], early.account.notes) == ([11, 12], ())
    assert times_ms(assembled(BY_FIELD, rows(10, 20))) == [10, 20]


def test_a_time_that_strays_is_a_bad_line() -> None:
    log = assembled(BY_FIELD, rows(0, 10, 20, 5000, 40, 50))
    assert times_ms(log) == [0, 10, 20, 40, 50]
    assert log.account.bad == (BadLine("c.txt", 14, "its time does not fit the lines before and after it"),)
    assert (log.account.sample_lines, log.account.lines_bad) == (5, 2)


@pytest.mark.parametrize(
    ("unit", "ticks", "expected"),
    [
        ("s", (0, 1, 2), [0, 1000, 2000]),
        ("ms", (0, 1.5, 2), [0, 1.5, 2]),
        ("us", (0, 1000, 2000), [0, 1, 2]),
        ("ns", (0, 1e6, 2e6), [0, 1, 2]),
    ],
)
def test_the_consoles_own_time_is_in_its_unit(unit: str, ticks: tuple[float, ...], expected: list[float]) -> None:
    toml = BY_FIELD.replace('unit = "ms"', f'unit = "{unit}"', 1)
    assert times_ms(assembled(toml, rows(*ticks))) == expected


def test_restarts_are_counted_placed_and_said() -> None:
    log = assembled(BY_FIELD, rows(90_000, 90_010, 90_020, 500, 510, 40_000, 40_010, 50, 60))
    assert times_ms(log) == [90_000, 90_010, 90_020, 90_520, 90_530, 130_020, 130_030, 130_080, 130_090]
    assert log.account.resets == 2
    assert log.account.restarts == (
        Gap(90_020 * MS, 90_520 * MS), Gap(130_030 * MS, 130_080 * MS),
    )  # fmt: skip
    assert log.account.notes == (
        "Console: the clock restarted 2 times; the times continue from there, without the time while the controller "
        "was off",
    )
    unplaced = assembled(BY_FIELD, rows(90_000, 90_010, 90_020, 40_000, 40_010))
    assert times_ms(unplaced) == [90_000, 90_010, 90_020, 90_030, 90_040]
    assert unplaced.account.notes == (
        "Console: the clock restarted once; the times continue from there, without the time while the controller was "
        "off",
        "Console: once it went back without starting near zero; the time in between is unknown, and a typical step "
        "was assumed",
    )


@pytest.mark.parametrize(("kind", "resets"), [("uptime", 1), ("clock", 0), ("iso", 0), ("epoch", 0)])
def test_only_a_controllers_clock_restarts(kind: str, resets: int) -> None:
    stamps = [900 * S, 901 * S, 902 * S, 100 * S, 101 * S]
    assert assembled(stamped(kind), rows(*[nan] * 5, stamp_ns=stamps)).account.resets == resets


def test_a_consoles_own_clock_is_placed_by_the_arrivals() -> None:
    """An own clock of 10 ms steps whose lines arrive 2, 5 and 2 ms late; after a restart it is placed anew."""
    known = defined(BY_FIELD)
    seen = known.time.model_copy(update={"stamp": "epoch"})
    known = known.model_copy(update={"time": seen})
    arrivals = [1000 * S + each * MS for each in (2, 15, 22, 502, 517, 522)]
    log = assemble(known, rows(700, 710, 720, 0, 10, 20, stamp_ns=arrivals), account(6))
    placed = ((log.signals["Speed"].time_ns - 1000 * S) / MS).tolist()
    assert placed == pytest.approx([2, 12, 22, 502, 512, 522], abs=0.02)
    assert log.account.resets == 1
    assert [(gap.start_ns - 1000 * S) / MS for gap in log.account.restarts] == pytest.approx([22], abs=0.02)
    assert [(gap.end_ns - 1000 * S) / MS for gap in log.account.restarts] == pytest.approx([502], abs=0.02)
    assert log.account.notes == ("Console: its own clock was aligned to the arrival of its samples",)
    assert log.dated


def test_the_rate_of_the_arrivals_is_taken_over() -> None:
    """The console's clock is 1 % fast, so that its 1010 ms are a second; two of the lines are late."""
    own = np.arange(0, 10_100 * MS, 101 * MS, dtype=np.int64)
    truth = own * 100 // 101
    late = truth.copy()
    late[[30, 60]] += 40 * MS
    placed = assembly._onto_arrivals(own, late + 5 * S, [])
    assert np.abs(placed - 5 * S - truth).max() < 0.1 * MS
    assert assembly._placed(own[:0], late[:0]).size == 0


def test_the_first_bad_lines_are_named_in_the_order_of_the_log() -> None:
    bad = [BadLine("c.txt", line, "why") for line in range(30, 0, -1)]
    assert [each.line for each in first_bad(bad)] == list(range(1, 21))
    made = rows(*[-1.0] * 25)
    log = assemble(defined(BY_FIELD), made, replace(account(25), bad=(BadLine("c.txt", 40, "before"),)))
    assert [each.line for each in log.account.bad] == list(range(11, 31))
    assert (log.account.lines_bad, log.account.sample_lines) == (26, 0)


def test_some_rows_are_kept_whole() -> None:
    kept = rows(1, 2, 3, stamp_ns=[4, 5, 6]).only(np.array([True, False, True]))
    assert (kept.line.tolist(), kept.turn.tolist(), kept.time.tolist()) == ([11, 13], [0, 4], [1, 3])
    assert (kept.value[:, 0].tolist(), len(kept)) == ([0, 2], 2)
    assert kept.stamp_ns is not None
    assert kept.stamp_ns.tolist() == [4, 6]
    assert rows(1).only(np.array([True])).stamp_ns is None

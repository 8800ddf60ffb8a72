"""Compares what this project computes with libraries of other people.

Called by `run` beside this file, with the program that answers as first
argument. Random questions come from a seed that is printed and may be given:

    compare.py PROGRAM [SEED]

Each comparison names its library, and the table says its version, how many
numbers were compared, the largest difference and what is allowed. A library
that is not installed is skipped with a message.
"""

import importlib
import importlib.metadata
import json
import subprocess
import sys


class Answers:
    """The program under test: questions in, answers out, one line each."""

    def __init__(self, program):
        self.process = subprocess.Popen(
            [program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def ask(self, ask, **question):
        self.process.stdin.write(json.dumps({"ask": ask, **question}) + "\n")
        self.process.stdin.flush()
        line = self.process.stdout.readline()
        if not line:
            raise SystemExit(f"the program that answers ended at {ask}")
        answer = json.loads(line)
        if isinstance(answer, dict) and "unknown" in answer:
            raise NotThere(ask)
        return answer

    def end(self):
        self.process.stdin.close()
        self.process.wait()


class NotThere(Exception):
    """This version has nothing to compare."""


class Row:
    """One line of the table."""

    def __init__(self, what, tolerance, fires=False):
        self.what = what
        self.tolerance = tolerance
        # Flags: some must be suspect and some must fail, else nothing was tried.
        self.unseen = {3, 4} if fires else set()
        self.count = 0
        self.largest = 0.0
        self.worst = None

    def same(self, got, expected, where):
        """Flags and names: each that differs counts as a difference of 1."""
        self.unseen.discard(got)
        self.near(0.0 if got == expected else 1.0, 0.0, f"{where}: {got} here, {expected} there")

    def near(self, got, expected, where):
        self.count += 1
        # A value on one side only is as far off as can be.
        if got is None or expected is None or got != got or expected != expected:
            difference = 0.0 if got is None and expected is None else float("inf")
        else:
            difference = abs(got - expected)
        if difference > self.largest or (self.worst is None and difference > 0):
            self.largest = difference
            self.worst = where if isinstance(where, str) else f"{where}: {got} here, {expected} there"

    @property
    def holds(self):
        return self.count > 0 and self.largest <= self.tolerance and not self.unseen


def quality(answers, np, rng):
    """QARTOD flags. Where the streaming tests differ from the library by
    design, the comparison leaves those points out or asks for one side only, and
    says so in its name."""
    from ioos_qc import qartod

    def series(n=400, missing=0.08, step=0.01, gaps=True):
        """A random walk on a grid, with spikes, standing still, missing values
        and missing times."""
        moves = np.where(rng.random(n) < 0.5, 0, rng.integers(-6, 7, n))
        values = np.cumsum(moves) * step + 20
        spikes = rng.random(n) < 0.04
        values[spikes] += rng.normal(0, 2, spikes.sum()).round(2)
        for start in rng.integers(0, n, 4):
            values[start : start + int(rng.integers(3, 40))] = values[start]
        values = np.round(values, 2)
        values[rng.random(n) < missing] = np.nan
        jumps = np.where(rng.random(n) < 0.05, rng.integers(2, 40, n), 1) if gaps else np.ones(n, int)
        at_s = 1_776_403_800 + 600 * np.cumsum(jumps)
        return at_s, values

    def ours(at_s, values, **limits):
        plain = [None if v != v else float(v) for v in values]
        return answers.ask("flags", at_s=[int(t) for t in at_s], values=plain, limits=limits)

    def times(at_s):
        return np.array(at_s, dtype="datetime64[s]").astype("datetime64[ns]")

    gross = Row("gross range", 0, fires=True)
    gap = Row("time gap, from the second reading on", 0)
    average = Row("spike by the mean of the neighbours", 0, fires=True)
    differential = Row("spike by the smaller step", 0, fires=True)
    rate = Row("rate of change between neighbours", 0, fires=True)
    flat = Row("flat line below the sensor's step", 0, fires=True)
    never_sooner = Row("flat line above it: never sooner", 0)
    together = Row("one flag for several", 0, fires=True)
    for n in range(40):
        at_s, values = series()
        missing = np.isnan(values)
        where = f"series {n}"

        suspect, fail = sorted(rng.uniform(19, 21, 2)), [15.0, 25.0]
        theirs = qartod.gross_range_test(values, fail, suspect)
        got = ours(at_s, values, gross_fail=fail, gross_suspect=list(suspect))["gross-range"]
        for i, (a, b) in enumerate(zip(got, theirs.tolist())):
            gross.same(a, b, f"{where}, reading {i}")

        hours = float(rng.integers(1, 4))
        theirs = qartod.time_gap_test(times(at_s), hours)
        got = ours(at_s, values, gap_s=hours * 3600)["gap"]
        # The library gives the first reading the flag of the second.
        for i, (a, b) in enumerate(zip(got[1:], theirs.tolist()[1:]), 1):
            gap.same(a, b, f"{where}, reading {i}")

        for method, row in (("average", average), ("differential", differential)):
            low = float(rng.uniform(0.02, 0.5))
            theirs = qartod.spike_test(values, low, low * 3, method=method)
            got = ours(at_s, values, spike={"suspect": low, "fail": low * 3, "method": method})["spike"]
            for i, (a, b) in enumerate(zip(got, theirs.tolist())):
                # A reading that is no spike is not written again: 2 stands for 1.
                row.same(a, 2 if b == 1 else b, f"{where}, reading {i}")

        limit = float(rng.uniform(1e-5, 3e-4))
        theirs = qartod.rate_of_change_test(values, times(at_s), limit, limit * 4)
        got = ours(at_s, values, rate={"suspect": limit, "fail": limit * 4})["rate-of-change"]
        for i, (a, b) in enumerate(zip(got, theirs.tolist())):
            # After a missing value ours looks farther back and the library not at all.
            if i == 0 or not missing[i - 1]:
                rate.same(a, b, f"{where}, reading {i}")

        at_s, values = series(missing=0.0, gaps=False)
        counts = sorted(int(c) for c in rng.choice(np.arange(2, 30), 2, replace=False))
        suspect_s, fail_s = counts[0] * 600, counts[1] * 600
        for tolerance, row in ((0.005, flat), (float(rng.uniform(0.01, 0.2)), never_sooner)):
            theirs = qartod.flat_line_test(values, times(at_s), suspect_s, fail_s, tolerance)
            got = ours(
                at_s, values, flat={"tolerance": tolerance, "suspect_s": suspect_s, "fail_s": fail_s}
            )["flat-line"]
            for i, (a, b) in enumerate(zip(got, theirs.tolist())):
                if row is flat:
                    row.same(a, b, f"{where}, reading {i}")
                else:
                    row.same(max(a, b), b, f"{where}, reading {i}")

        vectors = rng.choice([1, 2, 3, 4, 9], (int(rng.integers(2, 6)), 60))
        theirs = qartod.qartod_compare([np.array(v) for v in vectors])
        got = answers.ask("aggregate", vectors=vectors.tolist())
        for i, (a, b) in enumerate(zip(got, theirs.tolist())):
            together.same(a, b, f"{where}, reading {i}")
    return [gross, gap, average, differential, rate, flat, never_sooner, together]


def curves(answers, np, rng):
    """Calibrations by numpy's interpolation and polynomials."""
    points, polynomial = Row("value between points", 1e-9), Row("polynomial (part of its size)", 1e-12)
    for n in range(200):
        size = int(rng.integers(2, 12))
        raw = np.cumsum(rng.uniform(1, 500, size))
        value = np.cumsum(rng.uniform(0.01, 5, size)) * rng.choice([-1, 1])
        asked = rng.uniform(raw[0], raw[-1], 30)
        got = answers.ask("points", points=np.column_stack([raw, value]).tolist(), raw=asked.tolist())
        for a, b, r in zip(got, np.interp(asked, raw, value), asked):
            points.near(a, float(b), f"calibration {n}, raw {r}")
        c = rng.normal(0, 1, int(rng.integers(1, 6)))
        asked = rng.uniform(-50, 50, 30)
        got = answers.ask("polynomial", coefficients=c.tolist(), raw=asked.tolist())
        size_of = np.polynomial.polynomial.polyval(np.abs(asked), np.abs(c))
        for a, b, s, r in zip(got, np.polynomial.polynomial.polyval(asked, c), size_of, asked):
            polynomial.near(a / s, float(b) / s, f"polynomial {n}, raw {r}")
    return [points, polynomial]


def fits(answers, np, rng):
    """Fitted calibrations: least squares and leaving out by scipy and numpy."""
    from scipy import stats

    line, parabola = Row("line, each place left out", 1e-9), Row("parabola, each place left out", 1e-9)
    ends = Row("ends of the fitted line (part of the span)", 1e-5)
    for n in range(200):
        size = int(rng.integers(5, 14))
        # Far enough apart that no two make one place.
        raw = np.sort((np.arange(size) + rng.uniform(-0.3, 0.3, size)) * rng.uniform(10, 400) + rng.uniform(0, 3000))
        value = 0.1 * (raw - raw[0]) / np.ptp(raw) * rng.choice([-1, 1]) + rng.normal(0, 0.001, size)
        got = answers.ask("fit", pairs=np.column_stack([raw, value]).tolist())
        if "refused" in got:
            line.near(None, 0.0, f"fit {n} was refused: {got['refused']}")
            continue

        def left_out(degree):
            errors = []
            for i in range(size):
                others = np.arange(size) != i
                fitted = np.polynomial.Polynomial.fit(raw[others], value[others], degree)
                errors.append(float(fitted(raw[i]) - value[i]))
            return float(np.sqrt(np.mean(np.square(errors)))), float(np.max(np.abs(errors)))

        tried = {t["form"]: t for t in got["tried"]}
        for row, form, degree in ((line, "straight line", 1), (parabola, "parabola", 2)):
            if form in tried:
                rmse, largest = left_out(degree)
                row.near(tried[form]["rmse"], rmse, f"fit {n}")
                row.near(tried[form]["largest"], largest, f"fit {n}")
        if got["form"] == "straight line":
            theirs = stats.linregress(raw, value)
            for r, v in zip(got["raw"], got["ends"]):
                ends.near(v / np.ptp(value), (theirs.intercept + theirs.slope * r) / np.ptp(value), f"fit {n}")
    return [line, parabola, ends]


def platinum(answers, np, rng):
    """The inverse of IEC 60751 by a root finder that knows nothing of it."""
    from scipy import optimize

    def ohm(t, r0):
        below = -4.183e-12 * (t - 100) * t**3 if t < 0 else 0.0
        return r0 * (1 + 3.9083e-3 * t - 5.775e-7 * t * t + below)

    row = Row("platinum thermometer, °C", 1e-8)
    for r0 in (100.0, 1000.0, 500.3):
        asked = rng.uniform(ohm(-200, r0), ohm(850, r0), 1000)
        got = answers.ask("platinum", r0_ohm=r0, raw=asked.tolist())
        for a, r in zip(got, asked):
            expected = optimize.brentq(lambda t: ohm(t, r0) - r, -201, 851, xtol=1e-12, rtol=1e-14)
            row.near(a, expected, f"{r} of {r0} ohm")
    return [row]


def check_bytes(answers, np, rng):
    """The CRC of the 1-wire bus."""
    from crccheck.crc import Crc8Maxim

    row = Row("CRC of the 1-wire bus", 0)
    for _ in range(500):
        some = rng.integers(0, 256, int(rng.integers(0, 20))).tolist()
        row.same(answers.ask("crc8", bytes=some), Crc8Maxim.calc(some), f"{some}")
    return [row]


def slopes(answers, np, rng):
    """The robust slope of a tank's readings: Theil and Sen."""
    from scipy import stats

    middle, ends = Row("Theil-Sen slope", 1e-9), Row("slopes of eight pairs in ten", 1e-9)
    for n in range(100):
        size = int(rng.integers(4, 61))
        at_s = 1_776_403_800 + np.cumsum(rng.integers(60, 2000, size))
        value = np.round(20 + 1e-4 * (at_s - at_s[0]) * rng.normal() + rng.normal(0, 0.2, size), 4)
        got = answers.ask("slope", points=[[int(t), float(v)] for t, v in zip(at_s, value)])
        hours = (at_s - at_s[-1]) / 3600
        middle.near(got[0], float(stats.theilslopes(value, hours).slope), f"slope {n}")
        first, second = np.triu_indices(size, 1)
        all_slopes = (value[second] - value[first]) / (hours[second] - hours[first])
        for a, b in zip(got[1:], np.quantile(all_slopes, [0.1, 0.9])):
            ends.near(a, float(b), f"slope {n}")
    return [middle, ends]


def evapotranspiration(answers, np, rng):
    """FAO-56 days. The library counts a sun below 0.3 of a cloudless day's as
    0.3, which the paper does not say: cloudier days are left out."""
    import pandas as pd
    import pyet

    # FAO-56 prints hundredths of a millimetre.
    penman = Row("Penman-Monteith, mm a day", 0.005)
    hargreaves = Row("Hargreaves at 2.45 MJ/kg, mm a day", 0.005)
    for n in range(300):
        date = pd.Timestamp("2025-01-01") + pd.Timedelta(days=int(rng.integers(0, 365)))
        index = pd.DatetimeIndex([date])
        latitude = float(rng.uniform(-45, 45))
        minimum = float(rng.uniform(-2, 25))
        maximum = minimum + float(rng.uniform(2, 18))
        wet, dry = float(rng.uniform(60, 100)), float(rng.uniform(10, 55))
        elevation, wind = float(rng.uniform(0, 1500)), float(rng.uniform(0.6, 8))
        radians = np.deg2rad(latitude)
        above_air = float(pyet.extraterrestrial_r(index, radians).iloc[0])
        sun = above_air * float(rng.uniform(0.3, 0.75))
        got = answers.ask(
            "evapotranspiration", latitude_deg=latitude, day_of_year=date.dayofyear, max_c=maximum, min_c=minimum,
            elevation_m=elevation, max_pct=wet, min_pct=dry, sun_mj_m2=sun, wind_m_s=wind,
        )  # fmt: skip
        of = lambda x: pd.Series([x], index=index)
        mean = of((maximum + minimum) / 2)
        theirs = pyet.pm_fao56(
            mean, of(wind), rs=of(sun), tmax=of(maximum), tmin=of(minimum), rhmax=of(wet), rhmin=of(dry),
            elevation=elevation, lat=radians, clip_zero=False,
        )  # fmt: skip
        penman.near(got[0], float(theirs.iloc[0]), f"day {n}")
        # The paper takes 2.45 MJ/kg (0.408) at all temperatures.
        latent = 2.501 - 0.002361 * float(mean.iloc[0])
        theirs = pyet.hargreaves(mean, of(maximum), of(minimum), radians)
        hargreaves.near(got[1], float(theirs.iloc[0]) * latent * 0.408, f"day {n}")
    return [penman, hargreaves]


def oxygen(answers, np, rng):
    """Oxygen that water holds at one atmosphere. The library has another fit to
    the same measurements."""
    import gsw

    # Tables print hundredths.
    fresh = Row("oxygen of fresh water, mg/L", 0.005)
    for water in np.arange(0, 40.01, 0.5):
        density = gsw.rho(0, gsw.CT_from_pt(0, water), 0)
        theirs = gsw.O2sol_SP_pt(0, water) * 31.998e-6 * density
        got = answers.ask("oxygen", water_c=float(water), pressure_kpa=101.325)
        fresh.near(got, float(theirs), f"{water} °C")
    return [fresh]


def samples(answers, np, rng):
    """Two samples beside each other."""
    from scipy import stats

    welch, ranks = Row("Welch: t, freedom, p, interval", 1e-8), Row("Mann-Whitney: U, p", 1e-9)
    exact, signs = Row("permutation p, every split", 1e-9), Row("permutation p, every sign", 1e-9)
    delta = Row("Cliff's delta, from Mann-Whitney's U", 1e-12)
    for n in range(60):
        a = np.round(rng.normal(3, 1, int(rng.integers(3, 8))), 2 if n % 2 else 0)
        b = np.round(rng.normal(3.5, 2, int(rng.integers(3, 8))), 2 if n % 2 else 0)
        if np.ptp(a) == 0 or np.ptp(b) == 0:
            continue
        got = answers.ask("two-samples", first=a.tolist(), second=b.tolist())
        theirs = stats.ttest_ind(a, b, equal_var=False)
        interval = theirs.confidence_interval(0.95)
        for mine, other in zip(
            got["welch"], [theirs.statistic, theirs.df, theirs.pvalue, interval.low, interval.high]
        ):
            welch.near(mine, float(other), f"samples {n}")
        theirs = stats.mannwhitneyu(a, b, alternative="two-sided", method="asymptotic")
        ranks.near(got["mann_whitney"][0], float(theirs.statistic), f"samples {n}")
        ranks.near(got["mann_whitney"][1], float(theirs.pvalue), f"samples {n}")
        delta.near(got["cliffs_delta"], float(2 * theirs.statistic / (len(a) * len(b)) - 1), f"samples {n}")

        def difference(x, y, axis=-1):
            return np.mean(x, axis=axis) - np.mean(y, axis=axis)

        theirs = stats.permutation_test((a, b), difference, vectorized=True, n_resamples=np.inf)
        exact.near(got["permutation_p"], float(theirs.pvalue), f"samples {n}")
        size = int(rng.integers(4, 11))
        # Sums that are equal but for rounding count as equal here, and there hardly: no ties, no
        # means nearly alike.
        a, b = rng.normal(3, 1, size), rng.normal(3.5, 1, size)
        if abs(np.mean(a) - np.mean(b)) < 0.1:
            continue
        got = answers.ask("pairs", first=a.tolist(), second=b.tolist())
        theirs = stats.permutation_test(
            (a, b), difference, permutation_type="samples", vectorized=True, n_resamples=np.inf
        )
        signs.near(got["signs_p"], float(theirs.pvalue), f"pairs {n}")
    return [welch, ranks, delta, exact, signs]


def sizes(answers, np, rng):
    """Hedges' g, apart and paired."""
    import pingouin

    apart, paired = Row("Hedges' g", 1e-9), Row("Hedges' g of pairs", 1e-9)
    for n in range(60):
        a = np.round(rng.normal(3, 1, int(rng.integers(3, 30))), 2)
        b = np.round(rng.normal(3.5, 2, int(rng.integers(3, 30))), 2)
        got = answers.ask("two-samples", first=a.tolist(), second=b.tolist())
        apart.near(got["hedges_g"], float(pingouin.compute_effsize(a, b, eftype="hedges")), f"samples {n}")
        b = np.round(a + rng.normal(0.5, 1, len(a)), 2)
        got = answers.ask("pairs", first=a.tolist(), second=b.tolist())
        paired.near(
            got["hedges_g"], float(pingouin.compute_effsize(a, b, paired=True, eftype="hedges")), f"pairs {n}"
        )
    return [apart, paired]


def drydowns(answers, np, rng):
    """Exponentials of known time constants, clean and with noise."""
    from scipy.optimize import curve_fit

    clean = Row("time constant of a clean drydown, days", 1e-6)
    noisy = Row("time constant with noise, part of it", 1e-3)
    error = Row("its standard error, part of it", 2e-2)
    for n in range(60):
        # Longer ones end level, where our fit holds its end at or below the lowest value.
        end, tau = rng.uniform(0.04, 0.12), rng.uniform(1.5, 6)
        days = np.arange(0, 24 * tau * rng.uniform(1.5, 3)) / 24
        curve = (rng.uniform(0.2, 0.35) - end) * np.exp(-days / tau) + end
        got = answers.ask("drydown", points=np.column_stack([days, curve]).tolist())
        clean.near(got[2] if got else None, float(tau), f"clean {n}")
        # Noise within two of its deviations: the fit weighs down what is farther.
        noise = np.clip(rng.normal(0, 0.0004, len(days)), -0.0008, 0.0008)
        got = answers.ask("drydown", points=np.column_stack([days, curve + noise]).tolist())
        found, spread = curve_fit(
            lambda t, a, w, tau: a * np.exp(-t / tau) + w, days, curve + noise, [0.2, 0.1, 3]
        )
        noisy.near(got[2] / found[2] if got else None, 1.0, f"noise {n}")
        error.near(got[3] / np.sqrt(spread[2, 2]) if got and got[3] else None, 1.0, f"noise {n}")
    return [clean, noisy, error]


def month(answers, np, rng):
    """Days, hours and rain days of made months, with gaps, bad readings and both changes of the clock."""
    import pandas as pd

    zone = "Australia/Adelaide"
    counts, daily = Row("readings and good ones of days", 0), Row("mean, least, greatest of days", 1e-9)
    hourly, whole = Row("means of hours", 1e-9), Row("summary of the month", 1e-9)
    rain, gaps = Row("rain days, 9 am to 9 am", 1e-9), Row("expected readings, longest gap, s", 0)
    for year, number in [(2026, 4), (2026, 10), (2026, 2), (2024, 2), (2025, 12)]:
        first = pd.Timestamp(year=year, month=number, day=1, tz=zone)
        last = first + pd.offsets.MonthBegin(1)
        start = int((first - pd.Timedelta(days=2)).timestamp())
        end = int(last.timestamp())
        at = np.arange(start, end + 86_400, 900) + 7
        hour = (at - start) / 3600
        value = np.round(20 + 8 * np.sin(hour * 2 * np.pi / 24) + rng.normal(0, 1, len(at)), 2)
        flag = rng.choice([1, 3, 4], len(at), p=[0.95, 0.03, 0.02])
        kept = rng.random(len(at)) > 0.01
        lost = int(rng.integers(500, 1500))
        kept[lost : lost + int(rng.integers(10, 60))] = False
        mm = np.where(rng.random(len(at)) < 0.03, 0.2 * rng.integers(1, 9, len(at)), 0.0)
        air = [[int(t), float(v), int(f)] for t, v, f, k in zip(at, value, flag, kept) if k]
        gauge = [[int(t), float(v), 1] for t, v in zip(at, mm)]
        got = answers.ask("month", year=year, month=number, air=air, gauge=gauge)

        frame = pd.DataFrame(air, columns=["at", "value", "flag"])
        frame["time"] = pd.to_datetime(frame["at"], unit="s", utc=True).dt.tz_convert(zone)
        frame = frame[(frame["time"] >= first) & (frame["time"] < last)].set_index("time")
        good = frame[frame["flag"] == 1]
        by_day = good["value"].groupby(good.index.date)
        all_of_day = frame["value"].groupby(frame.index.date).count()
        theirs = by_day.agg(["count", "mean", "min", "max"])
        for date, readings, good_ones, *figures in got["days"]:
            key = pd.Timestamp(date).date()
            counts.near(readings, int(all_of_day.get(key, 0)), date)
            counts.near(good_ones, int(theirs["count"].get(key, 0)), date)
            for name, figure in zip(["mean", "min", "max"], figures):
                daily.near(figure, float(theirs[name][key]) if key in theirs.index else None, date)
        counts.near(len(got["days"]), int((last.date() - first.date()).days), "days of the month")
        # The zone is half an hour off the hours of UTC.
        floor = (good["at"] - 1800) // 3600 * 3600 + 1800
        means = good["value"].groupby(floor).mean()
        for begun, good_ones, mean in got["hours"]:
            if begun >= first.timestamp() and good_ones:
                hourly.near(mean, float(means[begun]), f"hour {begun}")
        quartiles = good["value"].quantile([0.25, 0.5, 0.75]).tolist()
        figures = [len(good), good["value"].mean(), good["value"].std(), *quartiles]
        for mine, other in zip(got["summary"], figures):
            whole.near(mine, float(other), f"{year}-{number}")
        edges = np.concatenate([[first.timestamp()], good["at"], [last.timestamp()]]).astype(int)
        longest = int(np.argmax(np.diff(edges)))
        gaps.near(got["gap"][0], int(edges[longest]), "gap")
        gaps.near(got["gap"][1], int(edges[longest + 1]), "gap")
        gaps.near(got["expected"], int((last.timestamp() - first.timestamp()) // 900), "expected")
        wet = pd.DataFrame(gauge, columns=["at", "mm", "flag"])
        local = pd.to_datetime(wet["at"], unit="s", utc=True).dt.tz_convert(zone).dt.tz_localize(None)
        # What falls after 9 am is tomorrow's; the readings are in mm already.
        wet["day"] = (local + pd.Timedelta(hours=15)).dt.date
        sums = wet.groupby("day")["mm"].sum()
        for date, total in got["rain"]:
            rain.near(total, float(sums[pd.Timestamp(date).date()]), date)
    return [counts, daily, hourly, whole, gaps, rain]


COMPARISONS = [
    ("ioos_qc", quality),
    ("numpy", curves),
    ("scipy", fits),
    ("scipy", platinum),
    ("scipy", slopes),
    ("pyet", evapotranspiration),
    ("gsw", oxygen),
    ("crccheck", check_bytes),
    ("scipy", samples),
    ("pingouin", sizes),
    ("scipy", drydowns),
    ("pandas", month),
]


def main():
    program, seed = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 20_260_417
    try:
        import numpy as np
    except ImportError:
        print("skipped: numpy is not installed")
        return 0
    answers = Answers(program)
    failed = []
    print(f"seed {seed}\n{'library':<20}{'what':<46}{'numbers':>9}{'largest':>10}{'allowed':>10}")
    for library, compare in COMPARISONS:
        try:
            importlib.import_module(library)
            version = f"{library} {importlib.metadata.version(library)}"
        except ImportError:
            print(f"{library:<20}skipped: not installed")
            continue
        try:
            rows = compare(answers, np, np.random.default_rng(seed))
        except NotThere as ask:
            print(f"{version:<20}skipped: this version does not answer {ask}")
            continue
        for row in rows:
            verdict = "" if row.holds else "  FAILS"
            print(f"{version:<20}{row.what:<46}{row.count:>9}{row.largest:>10.1e}{row.tolerance:>10.0e}{verdict}")
            if not row.holds:
                failed.append(f"{version}, {row.what}: {row.worst or 'nothing was compared, or no flag was raised'}")
    answers.end()
    for line in failed:
        print(line)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

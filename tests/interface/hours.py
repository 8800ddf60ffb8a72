"""Hours and days of the interface beside those that pandas makes of single readings.

Adelaide's clock is half an hour off the hours of UTC, so a bin that begins on UTC's
hours is found out. The expected numbers are pandas' resample on the site's clock.
"""

import io
import json
import sys
import urllib.parse
import urllib.request

import pandas as pd

PAGE = sys.argv[1]
# A float of both sides goes through the same sums in another order.
RELATIVE = 1e-9


def get(path, accept="application/json"):
    request = urllib.request.Request(PAGE + path, headers={"Accept": accept})
    with urllib.request.urlopen(request, timeout=60) as answer:
        return answer.read().decode()


def pages(path, key):
    rows, count = [], 0
    while path:
        page = json.loads(get(path))
        rows += page[key]
        count += 1
        path = page["next"]
    return rows, count


# The demonstration begins on 28 March 2026; Adelaide puts its clock back on 5 April.
def main():
    compared = 0
    for site in json.loads(get("/api/v1/sites"))["sites"]:
        sensors = json.loads(get(site["href"] + "/sensors"))
        zone = sensors["time_zone"]
        for sensor in sensors["sensors"]:
            raw = pd.read_csv(io.StringIO(get(sensor["readings"] + "?to=2026-04-25", "text/csv")))
            if raw.empty:
                continue
            single, _ = pages(sensor["readings"] + "?to=2026-04-25&limit=777", "readings")
            assert [row["at"] for row in single] == list(raw["time"]), sensor["id"]
            # CSV has a value to seven significant digits, for people; JSON has all of it.
            value = pd.Series([row["value"] for row in single], dtype=float, name="value")
            off = (raw["value"] - value).abs()
            assert (raw["value"].isna() == value.isna()).all(), sensor["id"]
            assert not (off > 5e-7 * value.abs().clip(lower=1.0)).any(), (sensor["id"], off.max())
            raw["value"] = value
            raw.index = pd.to_datetime(raw["time"], format="ISO8601", utc=True).dt.tz_convert(zone)
            good = raw["value"].where(raw["flag"].isin([1, 2]))
            adds_up = sensor["quantity"] in ("rain", "water-flow")
            for step, rule in (("hour", "h"), ("day", "D")):
                bins, _ = pages(
                    f"{sensor['readings']}?step={step}&to=2026-04-25&limit=100", "bins"
                )
                # The hours of a clock are an hour long also where it is put back, so
                # they are made on a clock that stands still, half an hour off UTC.
                on = good if step == "day" else good.tz_convert("+09:30")
                expected = on.resample(rule).agg(["count", "mean", "min", "max", "sum"])
                expected["readings"] = raw["raw"].set_axis(on.index).resample(rule).count()
                expected = expected[expected["readings"] > 0]
                assert len(bins) == len(expected), (sensor["id"], step, len(bins), len(expected))
                for bin, (start, row) in zip(bins, expected.iterrows()):
                    where = (sensor["id"], step, bin, start, dict(row))
                    assert pd.Timestamp(bin["start"]) == start, where
                    assert bin["readings"] == row["readings"] and bin["good"] == row["count"], where
                    pairs = [("total", "sum")] if adds_up else [(k, k) for k in ("mean", "min", "max")]
                    for ours, theirs in pairs:
                        if row["count"] == 0:
                            assert bin[ours] is None, where
                        else:
                            off = abs(bin[ours] - row[theirs])
                            assert off <= RELATIVE * max(1.0, abs(row[theirs])), where
                    compared += 1
    assert compared > 7_000, compared
    print(f"{compared} hours and days equal those of pandas {pd.__version__}")


main()

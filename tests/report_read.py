"""A month's CSV files by pandas and its spreadsheet by openpyxl, beside each other."""

import sys
from pathlib import Path

import openpyxl
import pandas as pd

folder = Path(sys.argv[1])
book = openpyxl.load_workbook(folder / "month.xlsx")
dictionary = pd.read_csv(folder / "dictionary.csv", keep_default_na=False)
checks = 0


def check(right, what):
    global checks
    checks += 1
    if not right:
        sys.exit(f"not equal: {what}")


def cell(value):
    return None if value == "" else value


for path in sorted(folder.glob("*.csv")):
    name = path.stem
    if name == "dictionary":
        continue
    raw = path.read_bytes()
    check(raw.count(b"\r\n") == raw.count(b"\n") and raw.endswith(b"\r\n"), f"{name}: ends of lines")
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    sheet = book[name]
    head = [it.value for it in sheet[1]]
    check(list(table.columns) == head, f"{name}: columns")
    told = dictionary[dictionary.table == name]
    check(list(told.column) == head, f"{name}: dictionary")
    check(sheet.max_row == len(table) + 1, f"{name}: rows")
    check(sheet.freeze_panes == "A2", f"{name}: the header stays")
    holds = dict(zip(told.column, told.holds))
    for number, (row, cells) in enumerate(zip(table.itertuples(index=False), sheet.iter_rows(min_row=2))):
        for column, text, it in zip(head, row, cells):
            where = f"{name} row {number + 2} {column}: {text!r} and {it.value!r}"
            check(it.data_type != "f", f"a formula in {where}")
            text = cell(text)
            kind = holds[column]
            if text is None:
                check(it.value is None, where)
            elif kind.startswith("text"):
                bare = text[1:] if text[0] == "'" else text
                check(it.value in (text, bare), where)
                check(text[0] not in "=+-@\t\r", where)
            elif kind.startswith(("number", "whole")):
                check(isinstance(it.value, (int, float)) and float(text) == float(it.value), where)
            elif kind.startswith("day"):
                check(it.is_date and it.value.date() == pd.Timestamp(text).date(), where)
            else:
                stamp = pd.Timestamp(text).tz_localize(None)
                check(it.is_date and abs((pd.Timestamp(it.value) - stamp).total_seconds()) < 1e-3, where)


def read(name):
    return pd.read_csv(folder / f"{name}.csv")


# Days are made of hours: counts add up, the mean is the mean of the good readings.
hours = read("readings_hourly")
days = read("daily")
hours["date"] = hours.time_local.str[:10]
by = hours.assign(sum=hours["mean"] * hours.good).groupby(["sensor", "date"])
for _, day in days.iterrows():
    key = (day.sensor, day.date)
    if key not in by.groups:
        check(day.readings == 0, f"daily {key}")
        continue
    group = by.get_group(key)
    for count in ("readings", "good", "doubtful", "bad"):
        check(group[count].sum() == day[count], f"daily {count} {key}")
    if pd.notna(day["mean"]):
        check(abs(group["sum"].sum() / group.good.sum() - day["mean"]) < 2e-6, f"daily mean {key}")
        check(abs(group["min"].min() - day["min"]) < 1e-9, f"daily min {key}")
        check(abs(group["max"].max() - day["max"]) < 1e-9, f"daily max {key}")
    if pd.notna(day.total):
        check(abs(group.total.sum() - day.total) < 2e-5, f"daily total {key}")

quality = read("quality")
for _, row in quality.iterrows():
    mine = days[days.sensor == row.sensor]
    for count in ("readings", "good", "doubtful", "bad"):
        check(mine[count].sum() == row[count], f"quality {count} {row.sensor}")
    if row.expected:
        complete = min(100.0, 100.0 * row.good / row.expected)
        check(abs(complete - row.complete_percent) < 1e-5, f"quality complete {row.sensor}")

# The local time is the universal one on the garden's clock.
zone = sys.argv[2] if len(sys.argv) > 2 else "Australia/Adelaide"
local = pd.to_datetime(hours.time_utc, utc=True).dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M:%S")
check((local == hours.time_local).all(), "local times")

values = read("comparison_values")
for _, row in read("comparison").iterrows():
    mine = values[values.comparison == row.comparison]
    first, second = (mine[mine.side == side].value for side in ("first", "second"))
    check(len(first) == row.first_count and len(second) == row.second_count, f"counts of {row.what}")
    if pd.notna(row.mean_difference):
        check(abs(first.mean() - second.mean() - row.mean_difference) < 5e-6, f"difference of {row.what}")
        check(row.interval_low <= row.interval_high, f"interval of {row.what}")

tanks = read("tanks_daily").dropna(subset=["swing_c"])
check(((tanks.max_c - tanks.min_c - tanks.swing_c).abs() < 2e-6).all(), "swings")
# The summary is the first sheet and prints on two pages: one break, all columns on a page.
summary = book.worksheets[0]
check(summary.title == "summary", "the summary comes first")
check(len(summary.row_breaks.brk) == 1 and len(summary.col_breaks.brk) == 0, "one break in the summary")
area = str(summary.print_area).replace("'summary'!", "").replace("$", "")
check(area.startswith("A1:H"), f"the summary prints {area}")
wide = sum(summary.column_dimensions[column].width for column in "A") + 7 * summary.column_dimensions["B"].width
check(wide * 7 * summary.page_setup.scale / 100 / 96 * 25.4 < 185, f"the summary is {wide} letters wide")
cut = summary.row_breaks.brk[0].id
check(cut <= 46, f"the first page of the summary has {cut} rows")
heads = [cell.value for row in summary.iter_rows() for cell in row if cell.value]
for head in ("What to do now", "In short", "Needed, L"):
    check(head in heads, f"{head} in the summary")
charts = sum(len(sheet._charts) for sheet in openpyxl.load_workbook(folder / "month.xlsx").worksheets)
check(charts >= 3, f"{charts} charts")
print(f"{checks} checks of {folder}: CSV and spreadsheet hold the same")

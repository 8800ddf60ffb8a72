"""The figures of /metrics before a parser of each of the two text formats."""

import sys
import time
import urllib.request

from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families as older


def fetch(page, accept):
    request = urllib.request.Request(page + "/metrics", headers={"Accept": accept})
    with urllib.request.urlopen(request, timeout=20) as answer:
        return answer.headers["Content-Type"], answer.read().decode()


def samples(families):
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for family in families for s in family.samples}


page = sys.argv[1]
kind, text = fetch(page, "application/openmetrics-text; version=1.0.0; charset=utf-8")
assert kind == "application/openmetrics-text; version=1.0.0; charset=utf-8", kind
families = list(open_metrics(text))
named = {family.name: family for family in families}
assert named["trug_readings_stored"].type == "counter", named["trug_readings_stored"]
assert named["trug_store_size_bytes"].unit == "bytes", named["trug_store_size_bytes"]
found = samples(families)

kind, text = fetch(page, "text/plain;version=0.0.4")
assert kind == "text/plain; version=0.0.4; charset=utf-8", kind
same = samples(older(text))
assert set(same) == set(found), set(same) ^ set(found)
# The counter is of what was stored since the start, beside the month that was there before:
# the demonstration's sensors send every few minutes.
until = time.monotonic() + 300
while same[("trug_readings_stored_total", ())] <= 0:
    assert time.monotonic() < until, "no reading was stored in five minutes"
    time.sleep(2)
    same = samples(older(fetch(page, "text/plain;version=0.0.4")[1]))
assert found[("trug_store_size_bytes", ())] > 0, found
print(f"metrics: {len(families)} families, {len(found)} samples, read alike in both formats")

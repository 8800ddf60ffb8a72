"""What an installed package says of the work in it: the bill of materials by the SPDX
library (its own rules of SPDX 2.3), Debian's copyright file by python-debian, strictly, and
each beside the other and beside Cargo.lock.

    bill_read.py /usr/share/doc/trug
"""

import gzip
import re
import sys
import tomllib
from pathlib import Path

from debian.copyright import Copyright
from spdx_tools.spdx.parser.parse_anything import parse_file
from spdx_tools.spdx.validation.document_validator import validate_full_spdx_document

folder = Path(sys.argv[1])
faults = []

bill = parse_file(str(folder / "trug.spdx.json"))
faults += [f"trug.spdx.json: {it.validation_message} ({it.context.spdx_id})" for it in validate_full_spdx_document(bill, "SPDX-2.3")]
packages = {(it.name, it.version): it for it in bill.packages}

# What is said to come from the registry is locked, with the same sum.
lock = tomllib.loads((Path(__file__).parent.parent / "Cargo.lock").read_text())["package"]
locked = {(it["name"], it["version"]): it.get("checksum") for it in lock}
registry = 0
for key, it in packages.items():
    sums = [checksum.value for checksum in it.checksums]
    if sums:
        registry += 1
        if sums != [locked.get(key)]:
            faults.append(f"trug.spdx.json: {key} has another sum than Cargo.lock")
for name in ("sqlite", "tzdata", "rust-std", "rusqlite", "ring", "trug"):
    if not any(known == name for known, _ in packages):
        faults.append(f"trug.spdx.json: no {name}")
# A test's library is not shipped.
for name in ("proptest", "fantoccini", "spdx"):
    if any(known == name for known, _ in packages):
        faults.append(f"trug.spdx.json: {name} is not in the program")

with (folder / "copyright").open() as file:
    rights = Copyright(file, strict=True)
paragraphs = list(rights.all_files_paragraphs())
texts = {it.license.synopsis for it in rights.all_license_paragraphs()}
for it in paragraphs:
    for name in re.split(r",? (?:or|and) ", it.license.synopsis):
        if name not in texts:
            faults.append(f"copyright: {' '.join(it.files)} is under {name}, which has no paragraph")
if len(paragraphs) != len(packages):
    faults.append(f"copyright has {len(paragraphs)} paragraphs of files, and the bill {len(packages)} packages")
if rights.find_files_paragraph("src/main.rs").license.synopsis != "Expat":
    faults.append("copyright: the program itself is under another licence")

with gzip.open(folder / "THIRD-PARTY.gz", "rt") as file:
    third_party = file.read()
for name, version in packages:
    if name not in ("trug", "garden-simulator") and third_party.count(f"{name} {version}") < 2:
        faults.append(f"THIRD-PARTY: no text for {name} {version}")

for fault in faults:
    print(f"   {fault}")
if not faults:
    print(f"   {len(packages)} packages, {registry} of them with the sum of Cargo.lock; {len(texts)} licences")
sys.exit(bool(faults))

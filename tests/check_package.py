"""Validates a data package by an implementation of the standard that is not this program's.

    python3 check_package.py FOLDER

Exit code: 0 valid, 1 not valid (each error on a line: file, row, field, what), 77 frictionless is missing.
The version tried stands in requirements.txt; with Python 3.11.
"""

import sys

try:
    from frictionless import Package, system
except ImportError:
    print("frictionless is not installed: pip install -r tests/requirements.txt", file=sys.stderr)
    sys.exit(77)

folder = sys.argv[1].rstrip("/")
with system.use_context(trusted=True):
    package = Package(f"{folder}/datapackage.json")
    report = package.validate()

rows = 0
for task in report.tasks:
    rows += task.stats.get("rows") or 0
    for error in task.errors:
        row = getattr(error, "row_number", "")
        field = getattr(error, "field_name", "")
        print(f"{task.place}:{row}:{field}: {error.message}")
for error in report.errors:
    print(f"datapackage.json: {error.message}")
print(f"{len(report.tasks)} tables, {rows} rows, valid: {report.valid}")
sys.exit(0 if report.valid and len(report.tasks) > 0 else 1)

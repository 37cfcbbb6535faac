"""A second reader of recordings, written from protocol-notes/recording.md alone.

    python3 read_recording.py FILE      prints a summary as JSON; exit status 1 and a message when refused
"""

import hashlib
import json
import sys
import zlib


def check_line(line):
    """The record on a whole line, or None."""
    if not line.endswith(b"\n") or len(line) < 11 or line[8:9] != b" ":
        return None
    text = line[9:-1]
    if line[:8] != b"%08x" % (zlib.crc32(text) & 0xFFFFFFFF):
        return None
    return json.loads(text)


def read(data):
    lines = [line + b"\n" for line in data.split(b"\n")]
    lines[-1] = lines[-1][:-1]  # what stands behind the last LF, if anything, has none
    if not lines[-1]:
        lines.pop()
    records, offset, ended = [], 0, False
    for number, line in enumerate(lines, start=1):
        record = check_line(line)
        if record is None:
            expected = len(records) + 1
            for later in lines[number:]:
                later = check_line(later)
                if later is not None and later["g"] > expected:
                    raise SystemExit(f"line {number}: damaged at byte {offset}")
            if not records or ended:
                raise SystemExit(f"line {number}: refused at byte {offset}")
            return records, data[offset:]
        if ended or record["n"] != len(records) + 1:
            raise SystemExit(f"line {number}: damaged at byte {offset}")
        if records and record["t"] < records[-1]["t"]:
            raise SystemExit(f"line {number}: damaged at byte {offset}")
        if (record["k"] == "head") != (number == 1):
            raise SystemExit(f"line {number}: damaged at byte {offset}")
        if record["k"] == "head" and record["v"]["format"] > 1:
            raise SystemExit(f"format {record['v']['format']}: needs {record['v']['oldest_reader']}")
        if record["k"] == "seal" and record["v"] != hashlib.sha256(data[:offset]).hexdigest():
            raise SystemExit(f"line {number}: damaged at byte {offset}")
        ended = record["k"] == "end"
        records.append(record)
        offset += len(line)
    if not records:
        raise SystemExit("no head")
    return records, b""


def main():
    with open(sys.argv[1], "rb") as file:
        data = file.read()
    records, torn = read(data)
    meter, up = b"", False
    for record in records:
        if record["k"] == "link":
            up = record["v"]["up"]
        elif record["k"] == "bytes" and up:
            meter += record["d"].encode("latin-1")
    kinds = {}
    for record in records:
        kinds[record["k"]] = kinds.get(record["k"], 0) + 1
    summary = {
        "run": records[0]["v"]["run"],
        "records": len(records),
        "kinds": kinds,
        "meter_sha256": hashlib.sha256(meter).hexdigest(),
        "torn": len(torn),
        "sha256": hashlib.sha256(data).hexdigest(),
    }
    print(json.dumps(summary, sort_keys=True))


if __name__ == "__main__":
    main()

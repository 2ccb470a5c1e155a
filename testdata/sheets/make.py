"""Writes evenings.xlsx, journal.xlsx and 1904.xlsx as another program would, and
with --read FILE prints every cell of an .xlsx as JSON. Needs openpyxl."""
import datetime
import json
import sys

import openpyxl

D, T = datetime.date, datetime.time


def evenings():
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Bad 1"
    sheet["A1"] = "Badbuch 2026 (erfunden)"
    sheet.merge_cells("A1:J1")
    sheet["A2"] = "alle Werte von Hand"
    head = ["Date", "Time", "Cu [g/L]", "H2SO4", "Cl ppm", "Ah", "brightener added mL", "water L", "note", "Pump"]
    rows = [
        [D(2026, 3, 12), T(18, 30), 51.8, 60, "58", 22.5, 12, None, "fresh bags", "on"],
        [D(2026, 3, 13), None, None, None, None, 18.25, 0, 1.5, None, None],
        ["14.3.2026", "18:00", "51,2", None, "n/a", 10, None, None, "=HYPERLINK(\"x\") as typed", None],
        ["25.3.2026", None, "~51", "<0.5", None, None, None, None, None, None],
        [None, None, None, None, None, None, None, None, None, "off"],
        [46110.75, None, 0.1 + 50.8, None, "#N/A", "12,5 Ah", None, None, None, None],
        ["Total", None, None, None, None, "=SUM(F4:F9)", 12, 1.5, None, None],
    ]
    for c, text in enumerate(head, 1):
        sheet.cell(3, c, text)
    for r, row in enumerate(rows, 4):
        for c, value in enumerate(row, 1):
            if value is not None:
                sheet.cell(r, c, value)
    sheet["I6"].data_type = "s"
    sheet["E9"].data_type = "e"
    # Two evenings under one date, and a value that spans both rows.
    sheet["A11"] = D(2026, 4, 2)
    sheet.merge_cells("A11:A12")
    sheet["F11"], sheet["F12"] = 4.5, 5.5
    sheet["H11"] = 2
    sheet.merge_cells("H11:H12")
    # A number that the program made a date of.
    sheet["A13"], sheet["C13"] = D(2026, 4, 3), D(2026, 3, 12)
    book.create_sheet("Notizen")
    book.save("evenings.xlsx")


def journal():
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["time", "bath", "kind", "subject", "value", "unit", "u", "note"])
    sheet.append([datetime.datetime(2026, 1, 5, 7, 30), "tank-1", "level", None, 58.0, "L", 0.3, "two lines\nof text"])
    sheet.append([D(2026, 1, 5), "tank-1", "assay", "copper", 51.8, "g/L", 0.4])
    sheet.append(["2026-01-06T19:00:00Z", "tank-1", "plate", None, "22,5", "Ah", None, "hours=4 area_dm2=5.5"])
    book.save("journal.xlsx")


def from1904():
    book = openpyxl.Workbook()
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    sheet = book.active
    sheet.append(["Date", "Ah"])
    sheet.append([D(2026, 3, 12), 22.5])
    book.save("1904.xlsx")


def cell(value):
    if isinstance(value, (datetime.datetime, datetime.date)):
        return "time " + value.isoformat(timespec="milliseconds")
    if isinstance(value, (int, float)):
        return "number " + repr(float(value))
    return "text " + value


if sys.argv[1:2] == ["--read"]:
    book = openpyxl.load_workbook(sys.argv[2])
    out = {s.title: {c.coordinate: cell(c.value) for row in s.iter_rows() for c in row if c.value is not None} for s in book}
    json.dump(out, sys.stdout, indent=1, ensure_ascii=False, sort_keys=True)
    print()
else:
    evenings()
    journal()
    from1904()

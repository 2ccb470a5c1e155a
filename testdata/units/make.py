#!/usr/bin/python3
"""Make the factors in this folder with a units program of others.

Debian 12: apt-get install units, then /usr/bin/python3 make.py.
Made with GNU Units 2.22, its definitions version 3.15. The test reads the CSV only.

factors.csv      each unit of chem/unit.go, the base of its dimension there, and
                 how many of the base one is
temperatures.csv degrees Fahrenheit and the same in Celsius
"""
import csv
import os
import subprocess

HERE = os.path.dirname(os.path.abspath(__file__))

# chem's spelling, the base's, and both as GNU Units spells them. Its gallon is
# the US one, its ounce avoirdupois, its mil a thousandth of an inch.
UNITS = [
    ("L", "L", "litre", "litre"),
    ("mL", "L", "ml", "litre"),
    ("uL", "L", "microlitre", "litre"),
    ("gal", "L", "gallon", "litre"),
    ("fl oz", "L", "usfloz", "litre"),
    ("g", "g", "gram", "gram"),
    ("kg", "g", "kilogram", "gram"),
    ("mg", "g", "milligram", "gram"),
    ("oz", "g", "ounce", "gram"),
    ("lb", "g", "pound", "gram"),
    ("Ah", "Ah", "ampere hour", "ampere hour"),
    ("kAh", "Ah", "kiloampere hour", "ampere hour"),
    ("mAh", "Ah", "milliampere hour", "ampere hour"),
    ("Amin", "Ah", "ampere minute", "ampere hour"),
    ("A", "A", "ampere", "ampere"),
    ("mA", "A", "milliampere", "ampere"),
    ("dm2", "dm2", "decimeter^2", "decimeter^2"),
    ("cm2", "dm2", "centimeter^2", "decimeter^2"),
    ("m2", "dm2", "meter^2", "decimeter^2"),
    ("ft2", "dm2", "foot^2", "decimeter^2"),
    ("in2", "dm2", "inch^2", "decimeter^2"),
    ("mm", "mm", "millimeter", "millimeter"),
    ("cm", "mm", "centimeter", "millimeter"),
    ("m", "mm", "meter", "millimeter"),
    ("um", "mm", "micrometer", "millimeter"),
    ("mil", "mm", "mil", "millimeter"),
    ("in", "mm", "inch", "millimeter"),
    ("h", "h", "hour", "hour"),
    ("min", "h", "minute", "hour"),
    ("s", "h", "second", "hour"),
    ("d", "h", "day", "hour"),
    ("wk", "h", "week", "hour"),
    ("g/L", "g/L", "gram/litre", "gram/litre"),
    ("mg/L", "g/L", "milligram/litre", "gram/litre"),
    ("oz/gal", "g/L", "ounce/gallon", "gram/litre"),
    ("mL/L", "mL/L", "ml/litre", "ml/litre"),
    ("vol%", "mL/L", "percent", "ml/litre"),
    ("fl oz/gal", "mL/L", "usfloz/gallon", "ml/litre"),
    ("mol/L", "mol/L", "mole/litre", "mole/litre"),
    ("mmol/L", "mol/L", "millimole/litre", "mole/litre"),
    ("A/dm2", "A/dm2", "ampere/decimeter^2", "ampere/decimeter^2"),
    ("A/ft2", "A/dm2", "ampere/foot^2", "ampere/decimeter^2"),
    ("mA/cm2", "A/dm2", "milliampere/centimeter^2", "ampere/decimeter^2"),
    ("g/cm3", "g/cm3", "gram/centimeter^3", "gram/centimeter^3"),
    ("V", "V", "volt", "volt"),
    ("g/mol", "g/mol", "gram/mole", "gram/mole"),
    ("L/Ah", "L/Ah", "litre/(ampere hour)", "litre/(ampere hour)"),
    ("mL/Ah", "L/Ah", "ml/(ampere hour)", "litre/(ampere hour)"),
    ("mL/kAh", "L/Ah", "ml/(kiloampere hour)", "litre/(ampere hour)"),
    ("g/Ah", "g/Ah", "gram/(ampere hour)", "gram/(ampere hour)"),
    ("mg/Ah", "g/Ah", "milligram/(ampere hour)", "gram/(ampere hour)"),
    ("L/day", "L/day", "litre/day", "litre/day"),
    ("mL/day", "L/day", "ml/day", "litre/day"),
    ("L/h", "L/day", "litre/hour", "litre/day"),
    ("L/wk", "L/day", "litre/week", "litre/day"),
    ("gal/day", "L/day", "gallon/day", "litre/day"),
    ("mol/day", "mol/day", "mole/day", "mole/day"),
    ("mmol/day", "mol/day", "millimole/day", "mole/day"),
    ("1/day", "1/day", "1/day", "1/day"),
    ("%/day", "1/day", "percent/day", "1/day"),
    ("1/wk", "1/day", "1/week", "1/day"),
    ("L/dm2", "L/dm2", "litre/decimeter^2", "litre/decimeter^2"),
    ("mL/dm2", "L/dm2", "ml/decimeter^2", "litre/decimeter^2"),
    ("L/m2", "L/dm2", "litre/meter^2", "litre/decimeter^2"),
    ("gal/ft2", "L/dm2", "gallon/foot^2", "litre/decimeter^2"),
    ("g/kg", "g/kg", "gram/kilogram", "gram/kilogram"),
    ("mg/kg", "g/kg", "milligram/kilogram", "gram/kilogram"),
    ("g/g", "g/kg", "gram/gram", "gram/kilogram"),
    ("mg/g", "g/kg", "milligram/gram", "gram/kilogram"),
    ("mL/kg", "mL/kg", "ml/kilogram", "ml/kilogram"),
    ("mL/g", "mL/kg", "ml/gram", "ml/kilogram"),
]


def convert(have, want):
    args = ["units", "--terse", "--output-format", "%.17g", have, want]
    return subprocess.run(args, check=True, capture_output=True, text=True).stdout.strip()


def write(name, head, rows):
    with open(os.path.join(HERE, name), "w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(head)
        w.writerows(rows)


write("factors.csv", ["unit", "base", "factor"], [(u, b, convert(have, want)) for u, b, have, want in UNITS])
write("temperatures.csv", ["degF", "degC"], [(f, convert(f"tempF({f})", "tempC")) for f in (-40, 32, 68, 98.6, 212)])

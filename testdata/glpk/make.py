#!/usr/bin/python3
"""Make answers.csv with a linear-program solver of others.

Debian 12: apt-get install glpk-utils, then /usr/bin/python3 make.py.
Made with GLPK 5.0 (glpsol --exact: rational arithmetic). The test reads the CSV only.

The programs are written by `go test ./chem/linprog -run TestAgainstGLPK`, which
draws them from a fixed beginning. Each has five aims; the first is minimised,
then the second with the first held, and so on.
"""
import csv
import os
import subprocess
import tempfile

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
AIMS = 5
HELD = 1e-9  # an aim that was reached may be missed by this much, relative to 1 and itself


def solve(path):
    """Returns the least value as printed, or None where nothing is feasible."""
    out = path + ".out"
    done = subprocess.run(["glpsol", "--exact", "--freemps", path, "-w", out], capture_output=True, text=True)
    status = next(line for line in open(out) if line.startswith("s bas")).split()
    if status[4:6] == ["f", "f"]:
        return status[6]
    if status[4] != "n":
        raise SystemExit(done.stdout)
    return None


def held(text, best):
    """The program with the next aim in front and those before it held."""
    k = len(best)
    rows = "".join(f" N aim{i + 1}\n" for i in range(AIMS))
    assert rows in text
    order = f" N aim{k + 1}\n" + "".join(f" L aim{i + 1}\n" for i in range(k))
    order += "".join(f" N aim{i + 1}\n" for i in range(k + 1, AIMS))
    limits = "".join(f" rhs aim{i + 1} {float(v) + HELD * (1 + abs(float(v)))!r}\n" for i, v in enumerate(best))
    return text.replace(rows, order).replace("RHS\n", "RHS\n" + limits)


def fnv(data):
    h = 0x811C9DC5
    for b in data:
        h = (h ^ b) * 0x01000193 & 0xFFFFFFFF
    return f"{h:08x}"


def main():
    rows = []
    with tempfile.TemporaryDirectory() as tmp:
        subprocess.run(
            ["go", "test", "./chem/linprog", "-run", "TestAgainstGLPK", "-count", "1", "-problems", tmp],
            cwd=ROOT, check=True)
        names = sorted((n[:-4] for n in os.listdir(tmp)), key=int)
        for name in names:
            text = open(os.path.join(tmp, name + ".mps")).read()
            best = []
            while len(best) < AIMS:
                path = os.path.join(tmp, f"{name}-{len(best)}.mps")
                with open(path, "w") as f:
                    f.write(held(text, best))
                value = solve(path)
                if value is None:
                    if best:
                        raise SystemExit(f"{name}: an aim that was reached cannot be held")
                    break
                best.append(value)
            status = "optimal" if best else "infeasible"
            rows.append([name, fnv(text.encode()), status] + best + [""] * (AIMS - len(best)))
        afiro = os.path.join(tmp, "afiro.mps")
        data = open(os.path.join(ROOT, "testdata", "netlib", "afiro.mps"), "rb").read()
        with open(afiro, "wb") as f:
            f.write(data)
        rows.append(["afiro", fnv(data), "optimal", solve(afiro)] + [""] * (AIMS - 1))
    with open(os.path.join(HERE, "answers.csv"), "w", newline="") as f:
        out = csv.writer(f, lineterminator="\n")
        out.writerow(["program", "sum", "status"] + [f"aim{i + 1}" for i in range(AIMS)])
        out.writerows(rows)


main()

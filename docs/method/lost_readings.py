#!/usr/bin/python3
"""Houses with readings lost: lost_readings.py FROM TO [--bursts SECONDS] [--gaps SECONDS] [--seed N].

FROM holds houses with site.cfg, truth.json and readings.csv; TO gets the same without some rows: 1 to 10 of them in a
burst, every --bursts seconds on the average, and 60 to 600 in a gap, every --gaps seconds. Prints how many were lost."""
import argparse
import pathlib
import random
import shutil


def lose(rows, chance, bursts, gaps):
    """The rows that are left, of one a second."""
    skip, burst, gap = 0, chance.expovariate(1 / bursts), chance.expovariate(1 / gaps)
    for n, row in enumerate(rows):
        if n >= burst:
            skip, burst = max(skip, chance.randint(1, 10)), n + chance.expovariate(1 / bursts)
        if n >= gap:
            skip, gap = max(skip, chance.randint(60, 600)), n + chance.expovariate(1 / gaps)
        if skip:
            skip -= 1
        else:
            yield row


def main():
    p = argparse.ArgumentParser()
    p.add_argument("houses", type=pathlib.Path)
    p.add_argument("to", type=pathlib.Path)
    p.add_argument("--bursts", type=float, default=60.0)
    p.add_argument("--gaps", type=float, default=3600.0)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    for house in sorted(a.houses.glob("house-*")):
        to = a.to / house.name
        to.mkdir(parents=True)
        for name in ("site.cfg", "truth.json"):
            shutil.copy(house / name, to / name)
        kept = 0
        with open(house / "readings.csv") as rows, open(to / "readings.csv", "w") as out:
            out.write(next(rows))
            read = 0

            def counted():
                nonlocal read
                for row in rows:
                    read += 1
                    yield row

            for row in lose(counted(), random.Random(f"{a.seed}{house.name}"), a.bursts, a.gaps):
                out.write(row)
                kept += 1
        print(f"{house.name}: {read - kept} of {read} lost")


if __name__ == "__main__":
    main()

"""The open appliance traces, for the scripts beside this one."""
import gzip
import numpy as np

DAY = 86400


def load_trace(path):
    """Watts per second of a day. Meters that report every few seconds hold their value for up to five
    minutes; a longer silence, and what a meter says is missing, is NaN."""
    watts = np.full(DAY, np.nan, np.float32)
    with gzip.open(path, "rt") as lines:
        next(lines)
        before, value, missing = None, np.nan, False
        for line in lines:
            time, _, text = line.strip().partition(",")
            now = min(int(float(time)), DAY)
            if before is not None and not (missing and now - before > 300):
                watts[before:now] = value
            before, missing = now, not text
            value = value if missing else float(text)
    if before is not None and before < DAY:
        watts[before] = value
    return watts

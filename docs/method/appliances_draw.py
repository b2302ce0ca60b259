"""A day of a device under way, for appliances_made.py: stretches of watts, thermostats, the hours of a
household. Watts at 230 V, a value a second. Needs python3-numpy.
"""
import numpy as np

DAY = 86400
MINUTE, HOUR = 60, 3600
# when a household uses what it switches by hand: mean hour, spread, weight
HOURS = {
    "meals": ((7.5, 1.2, 3), (12.5, 1.2, 2), (18.5, 1.5, 3)), "morning": ((7.5, 1.3, 4), (19, 3, 1)),
    "coffee": ((7.5, 1.3, 4), (10, 1.5, 1), (15.5, 1.5, 2)), "evening": ((20, 1.8, 4), (14, 3, 1)),
    "office": ((9, 1.2, 3), (13.5, 1.5, 2), (19, 2, 1)), "day": ((10, 2, 1), (15, 2.5, 1), (19, 2, 1)),
    "bath": ((7.2, 1, 3), (20.5, 1.8, 2)), "night": ((22.5, 1.5, 1),),
}


def log_range(rng, low, typical, high):
    """10, 50 and 90 percent of a quantity that is spread by its logarithm"""
    z = rng.standard_normal() / 1.2816
    return typical * ((high / typical) ** z if z > 0 else (typical / low) ** z)


class Made:
    """a day under way: an array of watts and a random device"""
    def __init__(self, rng):
        self.rng, self.w, self.end = rng, np.zeros(DAY), 0
        self.regulated = False  # its supply takes the same watts at any voltage

    def between(self, low, high):
        return self.rng.uniform(low, high)

    def like(self, low, typical, high):
        return log_range(self.rng, low, typical, high)

    def chance(self, p):
        return self.rng.random() < p

    def times(self, mean, hours, least=1):
        """seconds of the day at which it is switched on, when what was put before is over by then"""
        n = max(least, self.rng.poisson(mean))
        means, spreads, weights = zip(*HOURS[hours])
        pick = self.rng.choice(len(means), n, p=np.array(weights) / sum(weights))
        t = self.rng.normal(np.array(means)[pick], np.array(spreads)[pick]) * HOUR
        for x in sorted(int(x) % DAY for x in t):
            if x >= self.end:
                yield x

    def put(self, at, watts):
        """adds a stretch; returns where it ends. What passes midnight is cut."""
        watts = np.atleast_1d(watts)
        at = int(at)
        end = min(DAY, at + len(watts))
        self.end = max(self.end, end)
        if at < DAY:
            self.w[at:end] += watts[:end - at]
        return at + len(watts)

    def flat(self, at, seconds, watts, start=1.0, settle=2.0, fade=1.0, wander=0.0, slow=60.0):
        """a stretch of so many watts; it starts at `start` times that and settles exponentially, goes to `fade` times by its end,
        and wanders by that part of itself with a memory of `slow` seconds"""
        n = max(1, int(seconds))
        t = np.arange(n)
        w = watts * (1 + (start - 1) * np.exp(-t / settle)) * np.linspace(1, fade, n)
        if wander:
            w = w * (1 + wander * self.noise(n, slow))
        return self.put(at, np.maximum(w, 0) if watts > 0 else w)

    def noise(self, n, slow):
        """a random walk with a memory, of spread 1"""
        step = max(1, int(slow / 4))
        x = self.rng.standard_normal(n // step + 2)
        a = np.exp(-step / max(slow, 1.0))
        for i in range(1, len(x)):
            x[i] = a * x[i - 1] + np.sqrt(1 - a * a) * x[i]
        return np.repeat(x, step)[:n]

    def bursts(self, at, seconds, watts, on, off, vary=0.2, **how):
        """a thermostat, until `seconds` are over"""
        end = at + seconds
        while at < end:
            at = self.flat(at, on * np.exp(vary * self.rng.standard_normal()), watts, **how)
            at += off * np.exp(vary * self.rng.standard_normal())
        return at

    def standby(self, watts):
        self.w[:] += watts

    def spikes(self, at, seconds, mean_gap, watts, length):
        """short peaks, as of a processor at work or of a disk that spins up"""
        t = at + self.rng.exponential(mean_gap)
        while t < at + seconds:
            self.flat(t, self.rng.exponential(length) + 1, watts * self.between(0.3, 1))
            t += self.rng.exponential(mean_gap)


def cold(m, low, typical, high, on, duty, inrush, defrost, never=0.12):
    watts, on, duty = m.like(low, typical, high), m.like(*on), np.clip(m.like(*duty), 0.08, 0.85)
    inrush, fade, hour = m.like(*inrush), m.between(0.8, 1.0), 0
    if m.chance(never):  # a variable-speed compressor, or one that never gets there: it runs on
        m.flat(0, DAY, watts * m.between(0.5, 1), wander=m.between(0.01, 0.08), slow=m.between(900, 7200))
        return m.standby(m.between(0, 3))
    at = m.between(-1, 0) * on
    busy = m.between(1, 1.6)  # doors are opened by day
    while at < DAY:
        day = busy if 7 < (at / HOUR) % 24 < 22 else 1
        length = on * day ** 0.5 * np.exp(0.08 * m.rng.standard_normal())
        if at >= 0:
            m.flat(at, length, watts, start=inrush, settle=m.between(0.5, 2), fade=fade, wander=0.004)
        at += length + on * (1 / duty - 1) / day * np.exp(0.08 * m.rng.standard_normal())
    if m.chance(defrost):
        for t in m.rng.integers(0, DAY, m.rng.integers(1, 3)):
            m.flat(t, m.between(15, 30) * MINUTE, m.like(300, 400, 600))
    m.standby(m.rng.choice([0, m.between(0, 4)]))


def cycling(m, watts, on, off, inrush, hours, wander=0.01, rise=1.0):
    """a compressor or blower by a thermostat, in the hours of its season"""
    begins, ends = hours
    at = begins + m.between(0, off)
    while at < ends:
        at = m.flat(at, on * np.exp(0.15 * m.rng.standard_normal()), watts, start=inrush, settle=1, fade=rise, wander=wander, slow=30)
        at += off * np.exp(0.2 * m.rng.standard_normal())

"""Made days of appliances, for docs/method/appliances_fit.py: what a day of each appliance may look like
by the published figures (appliances_reference.py, whose letters name the sources) and by how such
appliances work. The judge of a circuit's days learns from them beside the development traces: few
devices of a class were recorded, of many classes none.

Watts at 230 V, a value a second. What is not in appliances_reference.py (how often a household uses
the thing, how its parts take turns) is common practice or from memory, and the ranges are wide for that
reason. A device is drawn first, then one day of it.

    day = made_day("kettle", numpy.random.default_rng(1))
"""
import numpy as np
from appliances_draw import DAY, HOUR, MINUTE, Made, cold, cycling
from appliances_made_house import *  # made_day finds them by their keys


def refrigerator(m):
    if m.chance(0.6):
        cold(m, 40, 77, 124, (300, 700, 1860), (0.2, 0.36, 0.5), (1.05, 1.3, 8), 0.1)
    else:
        cold(m, 110, 200, 300, (700, 1500, 2700), (0.25, 0.36, 0.5), (1.05, 1.4, 8), 0.5)


def freezer(m):
    cold(m, 75, 130, 220, (240, 700, 1500), (0.14, 0.3, 0.6), (1.3, 3, 8), 0.15, never=0.2)


def kettle(m):
    watts = m.like(1780, 2040, 2700)
    for t in m.times(m.like(1, 3, 6), "meals"):
        m.flat(t, m.like(70, 160, 260), watts, fade=m.between(0.985, 1.0))
    m.standby(m.rng.choice([0, 0, 0, m.between(0, 2)]))


def toaster(m):
    watts, length = m.like(670, 870, 1400), m.like(100, 135, 260)
    for t in m.times(m.like(0.7, 1.5, 3), "meals"):
        for _ in range(m.rng.choice([1, 2, 3], p=[0.55, 0.3, 0.15])):
            t = m.flat(t, length * np.exp(0.08 * m.rng.standard_normal()), watts, fade=m.between(0.96, 1)) + m.between(15, 120)


def microwave(m):
    watts, fade, lamp = m.like(750, 1200, 1500), m.between(0.88, 1.0), m.between(30, 90)
    for t in m.times(m.like(1, 3, 6), "meals"):
        length = m.like(45, 130, 420)
        if m.chance(0.7):  # its lamp and fan, until the magnetron is warm
            t = m.flat(t, m.between(1, 7), lamp)
        if m.chance(0.2):  # less than full power: the magnetron takes turns with a pause
            period, duty = m.between(20, 32), m.between(0.25, 0.75)
            m.flat(t, length, lamp)
            m.bursts(t, length, watts - lamp, period * duty, period * (1 - duty), vary=0.02)
        else:
            m.flat(t, length, watts, start=m.between(0.95, 1.1), settle=3, fade=1 - (1 - fade) * min(length / 300, 1.5), wander=0.006, slow=10)
        if m.chance(0.3):  # its door is open: the lamp
            m.flat(t + length, m.between(5, 60), m.between(15, 40))
    m.standby(m.between(0, 4))


def coffee_maker(m):
    kind, standby = m.rng.choice(3, p=[0.55, 0.35, 0.1]), m.rng.choice([0, m.between(0, 3)])
    watts = m.like(600, 950, 1250) if kind == 0 else m.like(1150, 1380, 1550)
    keeps, staged = m.rng.choice([0, 0.6, 1]), m.chance(0.4)
    for t in m.times(m.like(0.8, 1.5, 3.5), "coffee"):
        if kind == 0:  # drip: one element brews, and then keeps the plate warm in bursts
            t = m.flat(t, m.like(200, 400, 720), watts, fade=m.between(0.97, 1))
            if m.chance(keeps):  # else it is switched off with the last drop
                m.bursts(t + m.between(20, 120), m.like(300, 1500, 3600), watts, m.between(8, 40), m.between(40, 220), vary=0.1)
        else:  # pads and capsules: a minute of heating, then brewing with the pump
            t = m.flat(t, m.between(15, 100), watts, start=m.between(1, 1.08), settle=20)
            if staged:  # regulated to its end
                t = m.flat(t, m.between(5, 30), watts * m.between(0.2, 0.6))
            for _ in range(m.rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1])):
                t = m.flat(t + m.between(3, 120), m.between(12, 55), watts * m.between(0.9, 1.03), wander=m.between(0, 0.3) * m.chance(0.4), slow=3)
            if m.chance(0.3):
                m.bursts(t + 20, m.between(60, 900), watts * m.between(0.4, 1), m.between(2, 8), m.between(40, 200))
            if m.chance(0.3):
                m.bursts(t + 20, m.between(300, 900), m.between(20, 60), m.between(20, 50), m.between(60, 150))
    m.standby(standby)


def espresso_coffee_machine(m):
    watts, on, off = m.like(890, 1250, 1510), m.like(2, 6, 30), m.like(15, 60, 400)
    always = m.chance(0.4)
    spells = [(0, DAY)] if always else [(t, m.like(1800, 7200, 30000)) for t in list(m.times(0.7, "coffee"))[:1]]
    idle = m.between(3, 20)
    for at, seconds in spells:
        t = at if always else m.flat(at, m.between(40, 240), watts)
        m.bursts(t, seconds, watts, on, off, vary=0.35)
        m.flat(at, seconds, idle)
        for _ in range(m.rng.poisson(seconds / HOUR * m.between(0.3, 3))):  # a cup: mill, pump, element
            t = m.flat(at + m.rng.random() * seconds, m.between(4, 12), m.between(100, 250), start=1.5)
            m.flat(t, m.between(20, 60), m.between(40, 70))
            m.bursts(t, m.between(30, 80), watts, m.between(3, 12), m.between(3, 12))
    m.standby(m.rng.choice([0, m.between(0, 3)]))


def dishwasher(m):
    spells = m.rng.choice([2, 2, 3, 4, 6])
    heat, pump, standby = m.like(1400, 1950, 2600), m.like(30, 65, 110), m.rng.choice([0, m.between(0, 3)])
    for t in m.times(m.like(0.7, 1, 1.6), "evening" if m.chance(0.5) else "day"):
        length = m.like(70, 105, 160) * MINUTE
        first, second = m.between(0.08, 0.2) * length, m.between(0.55, 0.75) * length
        a = t
        while a < t + length * 0.9:  # the pump, with pauses to drain and fill
            a = m.flat(a, m.between(3, 14) * MINUTE, pump, start=m.between(1.1, 2), wander=0.04, slow=8) + m.between(10, 90)
            a = m.flat(a, m.between(20, 50), m.between(20, 40)) + m.between(20, 60)
        apart = (second - first) / (spells - 1)
        for k in range(spells):
            n = m.between(6, 22) * MINUTE if spells == 2 else apart * m.between(0.25, 0.85)
            m.flat(t + first + k * apart, min(n, 0.9 * apart), heat, fade=m.between(0.98, 1))
        if m.chance(0.25):
            m.flat(t + length * 0.82, m.between(3, 10) * MINUTE, heat)
    m.standby(standby)


def drum(m, at, seconds, watts, on, off):
    while seconds > 0:
        a = m.flat(at, on * m.between(0.9, 1.1), watts * m.between(0.8, 1.2), start=m.between(1, 2), wander=0.1, slow=2)
        a += off * m.between(0.9, 1.1)
        seconds -= a - at
        at = a
    return at


def washing_machine(m, combined=0.1):
    heat, motor = m.like(1850, 2050, 2250), m.like(90, 180, 400)
    heated, on, off = m.chance(0.85), m.between(6, 15), m.between(3, 9)
    for t in m.times(m.like(0.8, 1.3, 2.5), "day"):
        t = drum(m, t + m.between(20, 120), m.between(2, 8) * MINUTE, motor, on, off)
        if heated:
            n = m.like(3, 9, 25) * MINUTE
            m.flat(t, n, heat)
            t = drum(m, t, n, motor * 0.8, on, m.between(2, 4) * off)
        t = drum(m, t, m.between(8, 40) * MINUTE, motor, on, off)
        for _ in range(m.rng.integers(2, 4)):
            t = drum(m, t + m.between(40, 180), m.between(2, 6) * MINUTE, motor, on, off)
            n = m.between(1, 5) * MINUTE
            t = m.put(t, m.like(200, 350, 600) * np.interp(np.arange(int(n)), [0, n * 0.5, n * 0.95, n], [0.4, 1, 0.8, 0]) * (1 + 0.05 * m.noise(int(n), 4)))
        n = m.between(3, 9) * MINUTE
        t = m.put(t, m.like(250, 420, 700) * np.interp(np.arange(int(n)), [0, n * 0.4, n * 0.97, n], [0.4, 1, 0.8, 0]) * (1 + 0.05 * m.noise(int(n), 4)))
        if m.chance(combined):
            dry(m, t + 60, m.like(1200, 1700, 2200), m.between(70, 150) * MINUTE)
    m.standby(m.rng.choice([0, m.between(0, 4)]))


def dry(m, t, heat, length):
    motor, full = m.between(120, 320), length * (m.between(0.5, 0.85) if m.chance(0.5) else m.between(0.03, 0.3))
    if m.chance(0.4):  # its drum turns this way and that
        m.bursts(t, length, motor, m.between(30, 200), m.between(2, 8), vary=0.05, start=m.between(1.2, 2.5), settle=1)
    else:
        m.flat(t, length, motor, start=m.between(1.5, 3.5), settle=1, wander=0.02, slow=20)
    m.flat(t + 4, full, heat, start=m.between(1, 1.1), settle=60)
    m.bursts(t + 4 + full + m.between(10, 60), length - full - 5 * MINUTE, heat, m.like(40, 120, 300), m.like(10, 40, 300))
    for k in range(int(m.rng.choice([0, 0, 10]))):  # turns against creases
        m.flat(t + length + 120 * (k + 1), m.between(8, 15), motor, start=1.5)


def clothes_dryer(m):
    for t in m.times(m.like(0.8, 1.3, 2.5), "day"):
        if m.chance(0.25):  # with a heat pump (m)
            m.flat(t, m.between(80, 160) * MINUTE, m.like(450, 700, 1000), start=0.5, settle=600, fade=m.between(0.9, 1.1), wander=0.02, slow=60)
        else:
            dry(m, t, m.like(1900, 2450, 3000) if m.chance(0.7) else m.like(3500, 4900, 5400), m.like(30, 55, 110) * MINUTE)
    m.standby(m.rng.choice([0, m.between(0, 3)]))


def iron(m):
    watts = m.like(1000, 1600, 2300)
    for t in m.times(1, "day"):
        t = m.flat(t, m.between(40, 180), watts)
        m.bursts(t + m.between(20, 60), m.like(8, 25, 60) * MINUTE, watts, m.like(5, 15, 40), m.like(20, 50, 120), vary=0.4)


def hair_dryer(m):
    watts = m.like(1200, 1650, 1950)
    levels = [m.between(0.25, 0.45), m.between(0.5, 0.7), 1.0]
    for t in m.times(m.like(0.8, 1.4, 2.5), "bath"):
        for _ in range(m.rng.choice([1, 1, 2, 3])):
            p = m.rng.choice(levels, p=[0.15, 0.35, 0.5])
            t = m.flat(t, m.like(25, 90, 250), watts * p, start=m.between(1, 1.12), settle=1.5, fade=m.between(0.96, 1.0), wander=0.006, slow=5)
            t += m.rng.choice([0, 0, m.between(5, 120)])


def vacuum_cleaner(m):
    watts, wander = m.like(900, 1250, 1700), m.between(0.008, 0.03)
    start = m.rng.choice([m.between(0.9, 1), m.between(1, 1.1), m.between(1.05, 1.6)])  # many start softly
    t = next(m.times(1, "day"))
    for _ in range(m.rng.integers(1, 6)):
        t = m.flat(t, m.like(60, 300, 1100), watts, start=start, settle=1, fade=m.between(0.94, 1), wander=wander, slow=6)
        t += m.like(8, 60, 900)


def television(m):
    kind = m.rng.choice(4, p=[0.4, 0.3, 0.15, 0.15])  # backlight that is steady, that follows the picture; tube; plasma or a large one
    watts = (m.like(50, 100, 210), m.like(28, 75, 140), m.like(70, 105, 136), m.like(130, 210, 350))[kind]
    content = (m.between(0.001, 0.02), m.between(0.03, 0.18), m.between(0.03, 0.12), m.between(0.02, 0.2))[kind]
    slow, waits, idle = m.between(1, 60), m.rng.choice([0, m.between(2, 15), m.between(2, 15)]), m.rng.choice([0, m.between(9, 28)])
    dark, dips = m.like(20, 100, 600), m.chance(0.4)  # its backlight gives way in dark scenes
    m.regulated = True
    for t in m.times(m.like(0.8, 1.8, 4), "evening"):
        if waits and kind != 2:
            t = m.flat(t, waits, m.between(12, 45))
        n = m.like(15, 75, 240) * MINUTE
        if dips and kind != 2:
            m.spikes(t, n, dark, -0.5 * watts, m.between(2, 15))
        t = m.flat(t, n, watts, start=m.between(1.2, 2) if kind == 2 else m.between(0.8, 1.1), settle=m.between(1, 6), wander=content, slow=slow)
        if idle and m.chance(0.7):  # not yet asleep
            m.flat(t, m.like(60, 500, 1200), idle)
    if idle and m.chance(0.5):  # looks for what is on tomorrow
        m.flat(m.between(0, DAY), m.like(120, 500, 1200), idle)
    m.standby(m.rng.choice([0, m.between(0, 2), m.between(2, 12)]))


def monitor(m):
    tube = m.chance(0.15)
    watts, content = (m.like(60, 80, 105), m.between(0.04, 0.12)) if tube else (m.like(18, 34, 60), m.between(0.002, 0.02))
    warm, high, slow, wakes = m.between(300, 1500), m.between(0.95, 1.12), m.between(3, 60), m.chance(0.4)
    m.regulated = True
    for t in m.times(m.like(0.8, 1.8, 4), "office"):
        end = t + m.like(25, 110, 400) * MINUTE
        while t < end:  # dark while nobody is there
            n = m.like(10, 60, 240) * MINUTE
            m.flat(t, min(n, end - t), watts, start=m.between(1.1, 1.5) if tube else high, settle=3 if tube else warm, wander=content, slow=slow)
            t += n + m.like(1, 8, 40) * MINUTE
            if wakes and m.chance(0.4):
                m.flat(t - 30, m.between(4, 25), watts * m.between(0.5, 1.1))
    m.standby(m.rng.choice([0, m.between(0, 2.5)]))


def lamp(m):
    watts = m.rng.choice([m.like(6, 11, 20), m.like(25, 50, 100), m.like(100, 200, 400)], p=[0.3, 0.5, 0.2])
    warm = m.rng.choice([1.0, m.between(0.75, 0.95), m.between(1, 1.1)], p=[0.7, 0.2, 0.1])
    for t in m.times(m.like(0.8, 1.8, 5), "evening" if m.chance(0.75) else "day"):
        m.flat(t, m.like(8, 80, 300) * MINUTE, watts, start=warm, settle=m.between(20, 90))
    m.standby(m.rng.choice([0, 0, 0, m.between(0, 2.5)]))


def computer(m, at, seconds, watts, load, wander, boot, spike):
    m.flat(at, seconds, watts, start=boot, settle=m.between(20, 90), wander=wander, slow=m.between(20, 900))
    m.spikes(at, seconds, m.like(20, 120, 900), watts * load, m.like(2, 8, 40))
    if spike:
        m.flat(at + m.between(0, seconds), m.like(600, 2400, 8000), watts * load * m.between(0.3, 1), wander=0.1, slow=20)


def desktop_computer(m):
    watts, standby = m.like(42, 82, 135), m.rng.choice([0, m.between(1, 6)])
    how = (m.like(0.06, 0.4, 1.2), m.between(0.002, 0.06), m.between(1.0, 1.4))
    m.regulated = True
    if m.chance(0.3):  # never switched off
        computer(m, 0, DAY, watts, *how, m.chance(0.5))
    else:
        for t in m.times(m.like(0.8, 1.4, 3), "office"):
            computer(m, t, m.like(1.2, 4, 11) * HOUR, watts, *how, m.chance(0.3))
    m.standby(standby)


def laptop_computer(m):
    watts, standby = m.like(13, 21, 38), m.rng.choice([0, m.between(0, 2)])
    how = (m.like(0.15, 0.6, 1.4), m.between(0.005, 0.25), m.between(1.0, 1.5))
    m.regulated = True
    if m.chance(0.2):
        computer(m, 0, DAY, watts, *how, False)
        return
    for t in m.times(m.like(0.8, 1.6, 4), "office"):
        n = m.like(0.5, 2, 7) * HOUR
        computer(m, t, n, watts, *how, m.chance(0.2))
        if m.chance(0.6):  # its battery: full current, then less and less
            x = np.arange(int(n))
            full, tail = m.between(10, 60) * MINUTE, m.between(15, 50) * MINUTE
            m.put(t, m.between(10, 32) * np.where(x < full, 1, np.exp(-(x - full) / tail)))
    m.standby(standby)


def laser_printer(m):
    fuser, ready, sleep = m.like(450, 750, 1000), m.like(6, 15, 60), m.like(2, 5, 12)
    m.standby(sleep)
    begins, ends = (0, DAY) if m.chance(0.5) else (m.between(7, 10) * HOUR, m.between(17, 22) * HOUR)
    for t in m.times(m.like(0.5, 2, 8), "office", least=0 if m.chance(0.3) else 1):
        t = m.flat(t, m.between(6, 25), fuser, start=m.between(1, 1.3), settle=2)
        t = m.bursts(t, m.like(8, 40, 200), fuser * m.between(0.7, 1), m.between(1, 6), m.between(1, 8), vary=0.4)
        keep = m.like(120, 700, 3600)
        m.flat(t, keep, ready)
        if m.chance(0.5):
            m.bursts(t, keep, fuser, m.between(1, 4), m.between(15, 60))
    if (begins, ends) != (0, DAY):
        m.w[:int(begins)] = m.w[int(ends):] = 0


def inkjet_printer(m):
    m.standby(m.like(1.5, 3.5, 7))
    for t in m.times(m.like(0.5, 2, 6), "office", least=0 if m.chance(0.3) else 1):
        m.flat(t, m.like(20, 80, 300), m.like(9, 16, 30), wander=0.3, slow=3)
        m.flat(t, m.like(120, 400, 1200), m.between(1, 5))


def audio_amplifier(m):
    watts, music = m.like(11, 32, 70), m.rng.choice([0, m.between(0.005, 0.06)])
    standby = m.rng.choice([0, m.between(0.5, 3), m.between(2, 15)], p=[0.5, 0.35, 0.15])
    if m.chance(0.12):
        m.flat(0, DAY, watts, wander=0.01, slow=20)
    for t in m.times(m.like(0.8, 2, 5), "evening" if m.chance(0.6) else "day"):
        m.flat(t, m.like(15, 100, 420) * MINUTE, watts, start=m.between(0.9, 1.3), settle=m.between(1, 300), wander=music, slow=m.between(2, 30))
    m.standby(standby)


def network_router(m):
    m.regulated = True
    m.flat(0, DAY, m.like(4, 7, 12), wander=m.between(0, 0.05), slow=m.between(10, 3600))


def network_storage(m):
    watts, asleep = m.like(12, 22, 40), m.between(0.5, 0.8)
    m.regulated = True
    begins, ends = (0, DAY) if m.chance(0.6) else (m.between(6, 18) * HOUR, m.between(20, 24) * HOUR)
    t = begins
    while t < ends:
        n = m.like(1200, 7000, 40000)
        m.flat(t, min(n, ends - t), watts, start=m.between(1.1, 2), settle=m.between(2, 10), wander=0.01, slow=60)
        t += n
        n = m.like(1200, 10000, 50000)
        m.flat(t, min(n, max(ends - t, 1)), watts * asleep)
        t += n
    m.standby(m.rng.choice([0, m.between(0, 2)]))


def games_console(m):
    watts = m.like(55, 105, 150)
    m.regulated = True
    for t in m.times(m.like(0.8, 1.4, 3), "evening"):
        n = m.like(20, 70, 180) * MINUTE
        menu = min(m.like(60, 240, 900), n / 2)
        t = m.flat(t, menu, watts * m.between(0.7, 0.95), wander=0.03, slow=10)
        m.flat(t, n - menu, watts, fade=m.between(1, 1.05), wander=m.between(0.01, 0.06), slow=m.between(5, 60))
    m.standby(m.rng.choice([m.between(0, 2), m.between(1, 10)]))


def video_projector(m):
    watts, cold, fan = m.like(150, 220, 320), m.between(0.3, 0.75), m.between(0.08, 0.25)
    strikes, warms, cools, saves = m.between(2, 15), m.between(10, 40), m.between(15, 120), m.chance(0.3)
    m.regulated = True
    for t in m.times(m.like(0.7, 1.3, 3), "evening"):
        t = m.flat(t, strikes, watts * m.between(0.04, 0.15))
        t = m.flat(t, warms * m.between(0.5, 1), watts * cold)  # an arc lamp takes its current from the beginning, its volts come
        n = int(m.between(0.5, 1.2) * warms)
        t = m.put(t, watts * np.linspace(cold, 1, n))
        t = m.flat(t, m.like(3, 60, 200) * MINUTE, watts * (m.between(0.75, 0.85) if saves else 1), wander=0.002)
        m.flat(t, cools, watts * fan)  # its fan runs on
    m.standby(m.rng.choice([0, m.between(0.5, 8)]))


def food_slicer(m):
    watts = m.like(60, 120, 200)
    for t in m.times(m.like(0.8, 2, 5), "meals"):
        for _ in range(m.rng.integers(1, 4)):
            t = m.flat(t, m.like(4, 20, 70), watts * m.between(0.7, 1.3), start=m.between(1.1, 2.5), settle=1, wander=0.1, slow=3) + m.like(3, 20, 200)


def water_fountain_pump(m):  # cools by a small compressor, by the load of the day; a pump for each glass
    watts, on = m.like(80, 150, 180), m.like(110, 200, 420)
    per_day, busy, inrush = m.like(30, 55, 120), m.between(1, 4), m.like(1.1, 1.6, 4)
    at, gap = m.between(0, 1800), DAY / per_day
    while at < DAY:
        day = busy if 8 < at / HOUR < 18 else 1
        m.flat(at, on * np.exp(0.2 * m.rng.standard_normal()), watts, start=inrush, settle=1, fade=m.between(0.9, 1))
        at += on + gap * (1 + busy) / 2 / day * np.exp(0.3 * m.rng.standard_normal())
    if m.chance(0.6):
        pump = m.like(60, 140, 250)
        for t in m.rng.normal(13 * HOUR, 3 * HOUR, m.rng.poisson(m.like(5, 20, 60))):
            if 0 < t < DAY:
                m.flat(t, m.like(4, 12, 40), pump, start=1.3, settle=1)
    m.standby(m.rng.choice([0, m.between(0, 6)]))


def portable_heater(m):
    watts = m.like(900, 1600, 2300)
    for t in m.times(m.like(0.7, 1.3, 3), "evening" if m.chance(0.6) else "day"):
        n = m.like(20, 70, 300) * MINUTE
        if m.chance(0.5):
            m.flat(t, n, watts, start=m.between(1, 1.1), settle=30)
        else:
            period, duty = m.like(200, 600, 1400), m.between(0.35, 0.9)
            m.bursts(t, n, watts, period * duty, period * (1 - duty), vary=m.between(0.02, 0.25))


def water_heater(m):
    if m.chance(0.5):  # a large store; by day, or at night by the tariff
        watts = m.like(1800, 3500, 5500)
        for t in m.times(m.like(1, 3, 8), "night" if m.chance(0.2) else "bath"):
            m.flat(t, m.like(8, 30, 120) * MINUTE, watts)
    else:  # five to fifteen litres under a sink
        watts = m.like(1500, 2000, 2200)
        for t in m.times(m.like(4, 10, 25), "day"):
            m.flat(t, m.like(90, 330, 900), watts)
    if m.chance(0.8):
        n = m.like(90, 300, 900)
        at, gap = m.between(0, 4) * HOUR, m.like(2, 5, 12) * HOUR
        while at < DAY:  # what it loses
            if not m.w[int(at):int(at + n)].any():
                m.flat(at, n * m.between(0.9, 1.1), watts)
            at += n + gap * m.between(0.85, 1.15)
    m.standby(m.rng.choice([0, m.between(0, 2)]))


def tankless_water_heater(m):
    watts = m.like(11000, 18000, 27000)
    for t in m.times(m.like(3, 8, 20), "bath"):
        m.flat(t, m.like(15, 90, 700), watts * m.rng.choice([0.33, 0.66, 1]))


def instant_hot_water_tap(m):
    watts, on, at = m.like(1300, 1600, 2200), m.like(15, 45, 120), 0
    gap = m.like(300, 900, 2400)
    draws = list(m.times(m.like(3, 8, 20), "meals"))
    while at < DAY:
        at = m.flat(at + gap * m.between(0.9, 1.1), on * m.between(0.9, 1.1), watts)
    for t in draws:
        if not m.w[t:t + 180].any():
            m.flat(t, m.like(30, 70, 180), watts)


def plates(m, single):
    """hotplates: full power, then an energy regulator or thermostat takes turns"""
    watts = m.like(850, 1200, 2000)
    for t in m.times(m.like(0.8, 2, 4), "meals"):
        for _ in range(1 if single else m.rng.integers(1, 4)):
            p = watts if single else m.like(850, 1500, 2300)
            start = t + m.between(0, 600) * (not single)
            start = m.flat(start, m.like(90, 300, 600), p, start=m.between(1, 1.05), settle=30)
            if m.chance(0.75):
                period, duty = m.like(15, 40, 90), m.between(0.15, 0.7)
                m.bursts(start, m.like(200, 900, 2700), p, period * duty, period * (1 - duty), vary=0.05)


def bake(m):
    watts = m.like(1800, 2400, 3600)
    for t in m.times(m.like(0.7, 1.2, 2), "meals"):
        m.flat(t, m.like(15, 45, 100) * MINUTE, m.between(20, 70))
        t = m.flat(t, m.like(300, 600, 1000), watts)
        m.bursts(t, m.like(10, 30, 80) * MINUTE, watts, m.between(25, 120), m.between(40, 200), vary=0.15)


def electric_range(m):
    if m.chance(0.85):
        plates(m, False)
    if m.chance(0.5):
        bake(m)
    m.standby(m.rng.choice([0, m.between(0, 5)]))


def cooking_plate(m):
    plates(m, True)


def oven(m):
    bake(m)
    m.standby(m.rng.choice([0, m.between(0, 5)]))


def toaster_oven(m):
    watts = m.like(1100, 1400, 2000)
    for t in m.times(m.like(0.7, 1.2, 3), "meals"):
        t = m.flat(t, m.between(120, 400), watts)
        m.bursts(t, m.like(100, 600, 1800), watts, m.between(15, 60), m.between(15, 60))


def food_waste_disposer(m):
    watts = m.like(400, 600, 950)
    for t in m.times(m.like(1, 2.5, 5), "meals"):
        m.flat(t, m.like(8, 22, 60), watts, start=m.like(1.3, 2.2, 4), settle=1, wander=0.12, slow=3)


def garage_door_opener(m):
    watts, n = m.like(300, 550, 900), m.between(11, 22)
    for t in m.times(m.like(2, 5, 10), "office"):
        m.flat(t, n, watts, start=m.like(1.2, 1.7, 3), settle=1)
        if m.chance(0.6):
            m.flat(t, 270, m.between(20, 100))  # its lamp
    m.standby(m.between(2, 6))


def electric_blanket(m):
    watts = m.like(60, 100, 180)
    for t in m.times(1, "night"):
        t = m.flat(t, m.between(10, 40) * MINUTE, watts)
        m.bursts(t, m.like(0.5, 3, 8) * HOUR, watts, m.between(10, 90), m.between(20, 150))
    m.w = np.roll(m.w, int(m.between(0, 6) * HOUR))


def aquarium(m):
    m.standby(m.like(5, 15, 40))
    m.flat(m.between(7, 11) * HOUR, m.between(8, 13) * HOUR, m.like(15, 40, 110))
    cycling(m, m.like(25, 80, 250), m.like(200, 900, 3000), m.like(600, 2400, 7000), 1, (0, DAY), wander=0)


def fluorescent_lamp(m):
    watts = m.like(15, 36, 120)
    for t in m.times(m.like(0.8, 2, 5), "evening" if m.chance(0.5) else "office"):
        m.flat(t, m.like(10, 90, 400) * MINUTE, watts, start=m.between(0.85, 1.4), settle=m.between(2, 120), fade=m.between(0.97, 1))


def made_day(key, rng):
    """a day of a device that is drawn for it: watts as its meter tells them, mains and meter wandering a little"""
    m = Made(rng)
    globals()[key](m)
    mains = 1 + m.between(0.003, 0.012) * m.noise(DAY, 3600) + m.between(0.001, 0.006) * m.noise(DAY, m.between(8, 90))
    w = m.w * (1 if m.regulated else mains) + m.between(0, 0.6) * rng.standard_normal(DAY)
    w[1:] -= rng.random(DAY - 1) * np.diff(w)  # it is switched in the middle of a second
    hold = int(rng.choice([1, 1, 1, 2, 3, 5]))  # meters that report every second or so
    return np.maximum(np.round(np.repeat(w[::hold], hold)[:DAY]), 0).astype(np.float32)

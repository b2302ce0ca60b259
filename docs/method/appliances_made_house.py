"""Made days of what heats, cools, airs and pumps for the whole house, for appliances_made.py, where it says
what they are. Watts at 230 V, a value a second. Needs python3-numpy.
"""
import numpy as np
from appliances_draw import DAY, HOUR, MINUTE, cycling


def season(m):
    return (0, DAY) if m.chance(0.4) else (m.between(6, 13) * HOUR, m.between(18, 24) * HOUR)


def central_air_conditioner(m):
    cycling(m, m.like(2500, 3500, 4500), m.like(500, 800, 1800), m.like(500, 1000, 2500), m.like(1.05, 1.5, 4), season(m), rise=m.between(1, 1.05))
    m.standby(m.between(0, 40))


def room_air_conditioner(m):
    begins, ends = season(m)
    watts = m.like(750, 1150, 2000)
    cycling(m, watts, m.like(300, 700, 1800), m.like(200, 500, 1500), m.like(1.05, 1.5, 3.5), (begins, ends))
    m.flat(begins, ends - begins, m.between(40, 150))


def heat_pump(m):
    if m.chance(0.5):  # variable speed: no inrush, follows the weather
        t = np.arange(DAY)
        w = m.like(700, 1800, 4500) * (1 + m.between(0.1, 0.5) * np.cos((t / DAY - 0.2) * 2 * np.pi)) * (1 + m.between(0.05, 0.25) * m.noise(DAY, 1800))
        m.put(0, np.maximum(w, 200))
        for s in m.rng.integers(0, DAY, m.rng.integers(0, 9)):
            m.w[s:s + int(m.between(5, 20) * MINUTE)] *= m.between(0.05, 0.5)  # defrosting, or off
    else:
        cycling(m, m.like(1500, 4000, 9000), m.like(600, 1500, 5000), m.like(900, 2400, 6000), m.like(1, 1.3, 4), (0, DAY), rise=m.between(1, 1.1))
    m.standby(m.between(5, 60))


def electric_furnace(m):
    watts, on, off, at = m.like(8000, 10000, 15000), m.like(240, 600, 1200), m.like(300, 900, 2000), 0
    while at < DAY:
        n = on * m.between(0.8, 1.2)
        m.flat(at, n + 60, m.between(300, 700), start=1.8, settle=1)
        for k in range(2):
            m.flat(at + 15 + 30 * k, n - 30 * k, watts / 2)
        at += n + off * m.between(0.7, 1.3)


def furnace_blower(m):
    cycling(m, m.like(400, 700, 1100), m.like(300, 600, 1500), m.like(300, 900, 2400), m.like(1.2, 2, 3.7), (0, DAY))
    m.standby(m.between(2, 10))


def circulation_pump(m):  # of a heating or of solar collectors: 5..45 W regulated, 40..100 W in fixed stages (m)
    watts = m.rng.choice([m.like(5, 14, 40), m.like(35, 60, 100)])
    kind = m.rng.choice(3)
    if kind == 0:
        m.flat(0, DAY, watts, wander=m.between(0, 0.15), slow=3600)
    elif kind == 1:
        m.flat(m.between(4, 6.5) * HOUR, m.between(14, 18) * HOUR, watts, start=1.1)
    else:  # while the sun shines
        begins, ends = m.between(7.5, 11) * HOUR, m.between(14, 18.5) * HOUR
        cycling(m, watts, m.like(200, 1500, 9000), m.like(100, 400, 2000), m.between(1, 1.3), (begins, ends))
    m.standby(m.between(0, 5))


def well_pump(m):
    watts, n = m.like(700, 1000, 1500), m.like(30, 80, 300)
    for t in m.times(m.like(5, 15, 40), "day"):
        m.flat(t, n * m.between(0.8, 1.6), watts, start=m.like(1.2, 1.8, 3), settle=1, fade=m.between(0.95, 1.1))


def sump_pump(m):
    watts, n, at = m.like(600, 950, 1300), m.like(8, 18, 50), 0
    gap = m.like(300, 2400, 12000)
    while at < DAY:
        at = m.flat(at + gap * m.between(0.7, 1.4), n * m.between(0.9, 1.1), watts, start=m.like(1.2, 1.8, 3), settle=1)


def pool_pump(m):
    begins = m.between(6, 12) * HOUR
    m.flat(begins, m.like(4, 7, 11) * HOUR, m.like(700, 1500, 2800), start=m.like(1.1, 1.7, 4), settle=1, fade=m.between(0.95, 1), wander=0.005, slow=600)


def spa_heater(m):
    watts = m.like(1500, 4500, 9000)
    for t in m.times(m.like(0.7, 1.5, 4), "evening"):
        m.flat(t, m.like(20, 60, 150) * MINUTE, watts)
    cycling(m, m.between(100, 500), m.like(600, 2400, 7200), m.like(2400, 7200, 14000), 1.5, (0, DAY))


def vehicle_charger(m):
    watts = m.rng.choice([1400, 2200, 3000, 3600, 7000, 7400, 9600, 11000]) * m.between(0.94, 1.02)
    for t in m.times(1, "night" if m.chance(0.6) else "evening"):
        n = m.like(1, 3.5, 8) * HOUR
        m.flat(t % int(DAY - min(n, 0.8 * DAY)), n, watts, start=0.1, settle=m.between(1, 8), wander=0.002, slow=600)
    m.standby(m.between(0, 6))


def dehumidifier(m):
    watts = m.like(200, 320, 650)
    cycling(m, watts, m.like(600, 1800, 5000), m.like(300, 1500, 5000), m.like(1.1, 2, 5), (0, DAY))
    m.standby(m.rng.choice([m.between(0, 3), m.between(20, 60)]))


def fan(m, watts, hours, stages=True):
    for t in m.times(m.like(0.7, 1.3, 3), hours):
        n = m.like(0.7, 3, 10) * HOUR
        p = watts * (m.rng.choice([0.5, 0.7, 1]) if stages else 1)
        m.flat(t, n, p, start=m.between(1.05, 1.6), settle=m.between(1, 8), wander=0.004, slow=60)


def whole_house_fan(m):
    fan(m, m.like(250, 480, 800), "evening")


def ceiling_fan(m):
    fan(m, m.like(20, 60, 110), "evening")


def window_fan(m):
    fan(m, m.like(50, 120, 250), "day")

#!/usr/bin/python3
"""Draws docs/method/breaker_band.svg: for a UL 489 breaker of up to 30 A and an IEC 60898-1 one of up to 32 A, the band of
opening times from cold that the first-order replica with the published limits allows, and those limits themselves. Nothing
measured goes into it. Plain Python, written for `make docs`:  breaker_band.py > docs/method/breaker_band.svg"""
import math

ENCLOSURE, SHARE = 1800.0, 0.1  # gateway/analysis/heat.h

#        name, holds, must open, within s, quick row, not before s, within s
KINDS = [("UL 489, to 30 A", 1.00, 1.35, 3600.0, 2.00, 2.0, 120.0),  # not before: 120 s / 60, taken from IEC's ratio
         ("IEC 60898-1, to 32 A", 1.13, 1.45, 3600.0, 2.55, 1.0, 60.0)]
LEFT, WIDTH, HEIGHT, TOP, GAP = 64, 380, 330, 40, 70
X_LOW, X_HIGH, Y_LOW, Y_HIGH = 0.95, 4.0, 0.5, 10000.0


def seconds(multiple, k, tau):
    """from cold until what is felt reaches k^2; infinity when never"""
    q, level = multiple * multiple, k * k
    if q <= level:
        return math.inf
    low, high = 0.0, max(tau, ENCLOSURE) * -math.log1p(-level / q)
    for _ in range(80):
        mid = 0.5 * (low + high)
        felt = -q * ((1 - SHARE) * math.expm1(-mid / tau) + SHARE * math.expm1(-mid / ENCLOSURE))
        low, high = (mid, high) if felt < level else (low, mid)
    return high


def tau_for(multiple, k, wanted):
    low, high = 0.05, 20000.0
    for _ in range(80):
        mid = math.sqrt(low * high)
        low, high = (mid, high) if seconds(multiple, k, mid) < wanted else (low, mid)
    return high


def band(kind):
    """quickest and slowest time at a multiple, over every (k, tau) that breaks no row"""
    _, hold, must, within, quick, least, most = kind
    pairs = []
    for i in range(25):
        k = hold * (must / hold) ** (i / 24)
        for j in range(25):
            tau = tau_for(quick, k, least * (most / least) ** (j / 24))
            if seconds(must, min(k, must * 0.9999), tau) <= within:
                pairs.append((k, tau))
    out = []
    for n in range(121):
        m = X_LOW * (X_HIGH / X_LOW) ** (n / 120)
        t = [seconds(m, k, tau) for k, tau in pairs]
        out.append((m, min(t), max(t)))
    return out


def main():
    full = 2 * (LEFT + WIDTH) + GAP - 30
    print('<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" font-family="sans-serif" font-size="12">' % (full, HEIGHT + TOP + 60))
    print('<rect width="100%" height="100%" fill="white"/>')
    for p, kind in enumerate(KINDS):
        name, hold, must, within, quick, least, most = kind
        x0 = LEFT + p * (WIDTH + GAP)
        x = lambda m: x0 + WIDTH * math.log(m / X_LOW) / math.log(X_HIGH / X_LOW)
        y = lambda s: TOP + HEIGHT * (1 - math.log(min(max(s, Y_LOW), Y_HIGH) / Y_LOW) / math.log(Y_HIGH / Y_LOW))
        print('<text x="%.1f" y="22" font-size="14">%s</text>' % (x0, name))
        for s in (1, 10, 60, 600, 3600):
            print('<path d="M%.1f %.1fH%.1f" stroke="#ddd"/><text x="%.1f" y="%.1f" text-anchor="end">%s</text>'
                  % (x0, y(s), x0 + WIDTH, x0 - 6, y(s) + 4, "%d s" % s if s < 60 else "%d min" % (s // 60) if s < 3600 else "1 h"))
        for m in (1, 1.13, 1.35, 1.45, 2, 2.55, 3, 4):
            if (m in (1.13, 1.45, 2.55)) == (p == 0) and m in (1.13, 1.35, 1.45, 2.55):
                continue
            print('<path d="M%.1f %.1fV%.1f" stroke="#ddd"/><text x="%.1f" y="%.1f" text-anchor="middle">%g</text>'
                  % (x(m), TOP, TOP + HEIGHT, x(m), TOP + HEIGHT + 16, m))
        rows = band(kind)
        slow = [(x(m), y(t)) for m, _, t in rows]
        fast = [(x(m), y(t)) for m, t, _ in rows]
        points = " ".join("%.1f,%.1f" % q for q in slow + fast[::-1])
        print('<polygon points="%s" fill="#9fbfdf" fill-opacity="0.6" stroke="#456"/>' % points)
        print('<path d="M%.1f %.1fV%.1f" stroke="#070" stroke-width="3"/><text x="%.1f" y="%.1f" fill="#070">holds %g</text>'
              % (x(hold), y(Y_HIGH), y(600), x(hold) + 6, y(600) + 14, hold))
        for m, t in ((must, within), (quick, most)):  # must have opened by then
            print('<path d="M%.1f %.1fm-6 -9h12l-6 9z" fill="#b00"/>' % (x(m), y(t)))
        print('<path d="M%.1f %.1fm-6 9h12l-6 -9z" fill="%s" stroke="#b00"/>' % (x(quick), y(least), "#b00" if p else "white"))
        print('<text x="%.1f" y="%.1f" text-anchor="middle">current, multiples of the rating</text>' % (x0 + WIDTH / 2, TOP + HEIGHT + 36))
    print("</svg>")


main()

# What the scenarios' readings.gen share. Noise comes from a generator of our own (Park and Miller,
# "Random number generators: good ones are hard to find", 1988), so every awk makes the same file.
function random() {
    if (!seed) seed = 20260101
    seed = (seed * 16807) % 2147483647
    return seed / 2147483647
}

# a reading of a meter with steps of 10 mA and as much noise
function amps(x) { return sprintf("%.2f", x + int(random() * 3 - 1) / 100) }
function volts(x) { return sprintf("%.1f", x + int(random() * 11 - 5) / 10) }

# 1 while t is within [from, to)
function during(t, from, to) { return t >= from && t < to }

# a compressor's cycle, the same each time: amps at t, with the inrush in its first second
function compressor(t, on, off, running, inrush, phase) {
    phase = t % (on + off)
    return phase == 0 ? inrush : phase < on ? running : 0
}

# t = 0 is 2026-01-01T00:18:37Z: no full hours, since what happens on the hour may be a timer
function row(t, cells) { printf "%d,%s\n", 1767226717 + t, cells }

"""The bench's site, 42 circuits of one meter read once a second: site_42.py DIRECTORY METER_PORT BROKER_PORT."""
import sys


def write(directory, meter, broker):
    circuits = ",\n".join(
        '  { id = "main-%02d"; panel = "main"; position = "%d"; name = "Circuit %d"; poles = 1; leg = "%s"; '
        'breaker_amps = 15; meter = "m1"; channels = [ %d ]; }' % (i, i, i, "AB"[(i - 1) // 2 % 2], i)
        for i in range(1, 43))
    with open(directory + "/site.cfg", "w") as f:
        f.write('site = { id = "bench"; name = "Bench"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };\n'
                'panels = ( { id = "main"; name = "Main"; legs = 2; rating_amps = 200; } );\n'
                'buses = ( { id = "lan"; host = "127.0.0.1"; port = %s; } );\n'
                'meters = ( { id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-42"; panel = "main"; } );\n'
                'circuits = (\n%s );\n' % (meter, circuits))
    with open(directory + "/delivery.cfg", "w") as f:
        f.write('broker = { host = "127.0.0.1"; port = %s; };\n' % broker)


if __name__ == "__main__":
    write(*sys.argv[1:])

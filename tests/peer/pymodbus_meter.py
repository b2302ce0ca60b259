"""Eleven meters on one bus, played by pymodbus (a Modbus library that nobody here wrote).

    pymodbus_meter.py tcp CONFIG READY EXPECTED          on a free port of 127.0.0.1
    pymodbus_meter.py tls CONFIG READY EXPECTED KEYS     the same inside TLS, with the certificates in KEYS
    pymodbus_meter.py rtu CONFIG READY EXPECTED DEVICE   on a serial device

Writes CONFIG/site.cfg for the bus, what a client should read to EXPECTED ("column value" lines),
and, once it serves, the file READY. Values are laid into registers by pymodbus's own payload
builder, from the words of the shipped maps' comments, not from the maps themselves; m9 has every type in
every order, by a map that is written here.
"""
import asyncio
import logging
import os
import ssl
import sys

from pymodbus.constants import Endian
from pymodbus.datastore import (
    ModbusServerContext,
    ModbusSlaveContext,
    ModbusSparseDataBlock,
)
from pymodbus.payload import BinaryPayloadBuilder
from pymodbus.server.async_io import ModbusSerialServer, ModbusTcpServer, ModbusTlsServer
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer

CIRCUITS = [  # meter, id, channels, more
    ("m1", "a1", [1], ""), ("m1", "a2", [2, 4], ""), ("m1", "a5", [5], ""),
    ("m1", "a42", [42], "ct_ratio = 2.0; ct_reversed = true;"),
    ("m2", "b1", [1], ""), ("m2", "b7", [7], ""), ("m2", "b12", [12], ""),
    ("m3", "c1", [1], ""), ("m3", "c6", [6], ""),
    ("m4", "d1", [1, 2, 3], ""),
    ("m5", "e1", [1], ""), ("m5", "e2", [2], ""),
    ("m6", "f1", [1, 2], ""), ("m7", "g1", [1, 2, 3], ""), ("m7", "g4", [4], ""), ("m8", "h1", [1], ""),
    ("m10", "j1", [1, 2, 3], ""), ("m10", "j4", [4, 5, 6], ""), ("m11", "k1", [1, 2], ""), ("m11", "k4", [4, 5, 6], ""),
]
MAPS = {"m1": "branch-meter-42", "m2": "branch-meter-12", "m3": "scaled-meter-6",
        "m4": "feeder-meter-3", "m5": "gappy",
        "m6": "sunspec", "m7": "sunspec", "m8": "sunspec",
        "m9": "every-type", "m10": "sunspec", "m11": "sunspec"}
UNITS = {"m1": 1, "m2": 2, "m3": 17, "m4": 200, "m5": 247, "m6": 6, "m7": 7, "m8": 8,
         "m9": 9, "m10": 10, "m11": 11}

GAPPY = """name = "A meter that refuses registers it has not got";
points = ( { quantity = "amps"; function = 3; address = 10; channels = 2; stride = 4; type = "u16"; scale = 0.1; } );
"""

# the letters of an order as this library says it: of the bytes within a word, of the words
ORDERS = {"ABCD": (Endian.Big, Endian.Big), "CDAB": (Endian.Big, Endian.Little),
          "BADC": (Endian.Little, Endian.Big), "DCBA": (Endian.Little, Endian.Little)}
ADDERS = {"u16": "16bit_uint", "s16": "16bit_int", "u32": "32bit_uint", "s32": "32bit_int", "f32": "32bit_float",
          "u64": "64bit_uint", "s64": "64bit_int"}
EVERY = [(t, o) for t in ADDERS for o in (("ABCD", "BADC") if t.endswith("16") else ORDERS)]
CIRCUITS += [("m9", f"i{n}", [n], "") for n in range(1, len(EVERY) + 1)]


def words(order, adders):
    """Registers of (method, value) pairs; order is the word order."""
    builder = BinaryPayloadBuilder(byteorder=Endian.Big, wordorder=order)
    for method, value in adders:
        getattr(builder, method)(value)
    return builder.to_registers()


def lay(block, address, registers):
    for i, value in enumerate(registers):
        block[address + i] = value


def branch_42(expect):
    r = {a: 0 for a in range(0, 200)}
    for n in range(1, 43):
        amps, watts = 37 * n, 12345 * n
        lay(r, n - 1, words(Endian.Big, [("add_16bit_uint", 0xFFFF if n == 5 else amps)]))
        lay(r, 100 + 2 * (n - 1), words(Endian.Big, [("add_32bit_uint", watts)]))
        expect[("m1", n)] = {"watts": watts / 10}
        if n != 5:  # 0xFFFF is "not measured"
            expect[("m1", n)]["amps"] = amps / 100
    lay(r, 42, [1203, 1197, 1211])
    expect["main"] = {"volts_a": 120.3, "volts_b": 119.7}
    return ModbusSlaveContext(ir=ModbusSparseDataBlock(r), zero_mode=True)


def branch_12(expect):
    r = {a: 0 for a in range(0, 600)}
    for n in range(1, 13):
        amps, watts, pf, volts = 0.125 * n, -17.5 * n, 1 - n / 64, 230 + n / 8
        if n == 7:
            amps = float("nan")
        lay(r, 256 + 8 * (n - 1),
            words(Endian.Little, [("add_32bit_float", v) for v in (amps, watts, pf, volts)]))
        expect[("m2", n)] = {"watts": watts, "pf": pf, "volts": volts}
        if n != 7:
            expect[("m2", n)]["amps"] = amps
    lay(r, 512, words(Endian.Little, [("add_32bit_float", 118.5), ("add_32bit_float", 121.25)]))
    return ModbusSlaveContext(hr=ModbusSparseDataBlock(r), zero_mode=True)


def scaled_6(expect):
    r = {}
    for n in range(1, 7):
        lay(r, 99 + n, words(Endian.Big, [("add_16bit_uint", 1000 + n)]))
        lay(r, 106 + n, words(Endian.Big, [("add_16bit_int", -50 * n)]))
        expect[("m3", n)] = {"amps": (1000 + n) / 1000, "watts": -500 * n}
    lay(r, 106, words(Endian.Big, [("add_16bit_int", -3)]))
    lay(r, 113, words(Endian.Big, [("add_16bit_int", 1)]))
    lay(r, 114, [0, 0, 0])
    return ModbusSlaveContext(hr=ModbusSparseDataBlock(r), zero_mode=True)


def feeder_3(expect):
    r = {a: 0 for a in range(0, 20)}
    for n in range(1, 4):
        lay(r, 2 * (n - 1), words(Endian.Big, [("add_32bit_uint", 70001 * n)]))
        lay(r, 6 + 2 * (n - 1), words(Endian.Big, [("add_32bit_int", -8000123 * n)]))
        lay(r, 12 + n - 1, words(Endian.Big, [("add_16bit_int", -985)]))
        expect[("m4", n)] = {"amps": 70.001 * n, "watts": -8000.123 * n, "pf": -0.985}
    return ModbusSlaveContext(ir=ModbusSparseDataBlock(r), zero_mode=True)


def gappy(expect):
    expect[("m5", 1)], expect[("m5", 2)] = {"amps": 4.2}, {"amps": 6.3}
    return ModbusSlaveContext(hr=ModbusSparseDataBlock({10: 42, 14: 63}), zero_mode=True)


def every_type(expect):
    """Watts of every type in every order, a channel each; amps beside them."""
    r = {a: 0 for a in range(0, 500)}
    for n, (kind, order) in enumerate(EVERY, 1):
        watts = {"u": 1, "s": -1, "f": -1}[kind[0]] * (1234 + 37 * n) + (0.625 if kind == "f32" else 0)
        bytes_first, words_first = ORDERS[order]
        builder = BinaryPayloadBuilder(byteorder=bytes_first, wordorder=words_first)
        getattr(builder, "add_" + ADDERS[kind])(watts)
        lay(r, 8 * n, builder.to_registers())
        r[400 + n - 1] = 100 + n
        expect[("m9", n)] = {"watts": watts, "amps": (100 + n) / 100}
    return ModbusSlaveContext(hr=ModbusSparseDataBlock(r), zero_mode=True)


def every_type_map():
    points = [f'  {{ quantity = "amps"; function = 3; address = 400; channels = {len(EVERY)}; type = "u16"; scale = 0.01; }}']
    points += [f'  {{ quantity = "watts"; function = 3; address = {8 * n}; channels = 1; first_channel = {n}; type = "{kind}"; '
               f'order = "{order}"; }}' for n, (kind, order) in enumerate(EVERY, 1)]
    return 'name = "Every type in every order";\npoints = (\n' + ",\n".join(points) + "\n);\n"


NO16 = -0x8000  # "not implemented" of an int16


def sunspec(base, common_length, models):
    """"SunS", the common model, the meter models (lists of registers from ID on), the end."""
    r = words(Endian.Big, [("add_string", "SunS")]) + [1, common_length]
    for text, registers in (("Peer works", 16), ("Trial meter", 16), ("", 8), ("7.1", 8), ("SN-9", 16)):
        r += words(Endian.Big, [("add_string", text.ljust(2 * registers, chr(0)))])
    r += [1] + [0] * (common_length - 65)
    for m in models:
        r += m
    r += [0xFFFF, 0]
    return ModbusSlaveContext(hr=ModbusSparseDataBlock({base + i: v for i, v in enumerate(r)}), zero_mode=True)


def integers(model, points):
    """A model 201-204: points is {offset: int16}, all others not implemented, accumulators 0."""
    shorts = [("add_16bit_int", points.get(i, NO16)) for i in range(2, 38)]
    return [model, 105] + words(Endian.Big, shorts) + [0] * (107 - 38)


def floats(model, points):
    """A model 211-214: points is {offset: float}, all others NaN."""
    reals = [("add_32bit_float", points.get(i, float("nan"))) for i in range(2, 124, 2)]
    return [model, 124] + words(Endian.Big, reals) + [0, 0]


def sunspec_split(expect):
    expect[("m6", 1)] = {"amps": 12.34, "watts": 1470.0, "volts": 119.5, "pf": 0.99}
    expect[("m6", 2)] = {"amps": 8.0, "watts": -960.0, "volts": 121.0}
    return sunspec(40000, 66, [[17, 12] + [0] * 12, integers(202, {
        2: 2034, 3: 1234, 4: 800, 6: -2, 8: 1195, 9: 1210, 11: 2405, 15: -1, 16: 6000, 17: -2,
        18: 51, 19: 147, 20: -96, 22: 1, 34: 990, 37: -1})])


def sunspec_two(expect):
    for n in range(1, 4):
        expect[("m7", n)] = {"amps": 1.5 * n, "volts": 229.5 + n, "watts": 300.25 * n}
    expect[("m7", 4)] = {"amps": 0.125}
    first = {4: 1.5, 6: 3.0, 8: 4.5, 12: 230.5, 14: 231.5, 16: 232.5, 30: 300.25, 32: 600.5, 34: 900.75, 68: 123456.0}
    return sunspec(0, 65, [floats(213, first), floats(211, {2: 0.125})])


def sunspec_single(expect):
    expect[("m8", 1)] = {"amps": 32.1, "watts": 3852.0}
    return sunspec(50000, 66, [integers(201, {2: 321, 3: 321, 6: -1, 18: 3852, 22: 0})])


def sunspec_integers(expect):
    """203 (wye) and 204 (delta) behind one unit."""
    for n in range(1, 4):
        expect[("m10", n)] = {"amps": 10.0 * n, "watts": -70.0 * n, "volts": 229.0 + n, "pf": -0.5 - n / 10}
        expect[("m10", 3 + n)] = {"amps": 1.0 * n}
    wye = {2: 600, 3: 100, 4: 200, 5: 300, 6: -1, 8: 2300, 9: 2310, 10: 2320, 15: -1, 16: 500, 17: -1, 18: -42, 19: -7, 20: -14,
           21: -21, 22: 1, 34: -60, 35: -70, 36: -80, 37: 0}
    delta = {2: 6, 3: 1, 4: 2, 5: 3, 6: 0, 12: 4000, 13: 4000, 14: 4000, 15: -1, 16: 50, 17: 0, 18: 1, 22: 3}
    return sunspec(40000, 66, [integers(203, wye), integers(204, delta)])


def sunspec_floats(expect):
    """212 (split phase) and 214 (delta) behind one unit."""
    for n in range(1, 3):
        expect[("m11", n)] = {"amps": 7.5 * n, "volts": 119.5 + n, "watts": 880.25 * n, "pf": 0.75 + n / 16}
    for n in range(1, 4):
        expect[("m11", 3 + n)] = {"amps": 0.5 * n, "watts": -200.5 * n}
    split = {2: 22.5, 4: 7.5, 6: 15.0, 12: 120.5, 14: 121.5, 30: 880.25, 32: 1760.5, 54: 0.8125, 56: 0.875}
    delta = {2: 3.0, 4: 0.5, 6: 1.0, 8: 1.5, 20: 400.0, 22: 401.0, 24: 402.0, 30: -200.5, 32: -401.0, 34: -601.5}
    return sunspec(0, 66, [floats(212, split), floats(214, delta)])


def write_expected(path, expect):
    with open(path, "w", encoding="ascii") as f:
        for leg, volts in expect["main"].items():
            f.write(f"m1 main.{leg} {volts}\n")
        for meter, circuit, channels, _ in CIRCUITS:
            for pole, channel in enumerate(channels):
                for quantity, value in expect[(meter, channel)].items():
                    if circuit == "a42":  # through a 2:1 transformer that faces the other way
                        value *= -2 if quantity == "watts" else 2
                    suffix = f"_{pole + 1}" if pole else ""
                    f.write(f"{meter} {circuit}.{quantity}{suffix} {value}\n")


def write_config(directory, bus):
    os.makedirs(os.path.join(directory, "maps"), exist_ok=True)
    with open(os.path.join(directory, "maps", "gappy.cfg"), "w", encoding="ascii") as f:
        f.write(GAPPY)
    with open(os.path.join(directory, "maps", "every-type.cfg"), "w", encoding="ascii") as f:
        f.write(every_type_map())
    legs = {1: "A", 2: "AB", 3: "ABC"}
    meters = ",\n".join(
        f'  {{ id = "{m}"; bus = "bus"; unit = {UNITS[m]}; map = "{MAPS[m]}";'
        + (' panel = "main";' if m == "m1" else "") + " }" for m in MAPS)
    circuits, position = [], 1
    for meter, circuit, channels, more in CIRCUITS:
        panel = "three" if len(channels) == 3 else "main"
        places = ",".join(str(position + 2 * i) for i in range(len(channels)))
        position += 2 * len(channels)
        circuits.append(
            f'  {{ id = "{circuit}"; panel = "{panel}"; position = "{places}"; name = "{circuit}";'
            f' poles = {len(channels)}; leg = "{legs[len(channels)]}"; breaker_amps = 20;'
            f' meter = "{meter}"; channels = {channels}; {more} }}')
    with open(os.path.join(directory, "site.cfg"), "w", encoding="ascii") as f:
        f.write('site = { id = "peer"; name = "Peer"; timezone = "UTC"; standard = "UL489";'
                " nominal_volts = 120.0; };\n"
                'panels = ( { id = "main"; name = "Main"; legs = 2; rating_amps = 200; },\n'
                '  { id = "three"; name = "Three phases"; legs = 3; rating_amps = 200; } );\n'
                f"buses = ( {bus} );\nmeters = (\n{meters}\n);\n"
                "circuits = (\n" + ",\n".join(circuits) + "\n);\n")


def make_context():
    expect = {}
    slaves = {UNITS["m1"]: branch_42(expect), UNITS["m2"]: branch_12(expect),
              UNITS["m3"]: scaled_6(expect), UNITS["m4"]: feeder_3(expect),
              UNITS["m5"]: gappy(expect), UNITS["m6"]: sunspec_split(expect),
              UNITS["m7"]: sunspec_two(expect), UNITS["m8"]: sunspec_single(expect),
              UNITS["m9"]: every_type(expect), UNITS["m10"]: sunspec_integers(expect),
              UNITS["m11"]: sunspec_floats(expect)}
    return ModbusServerContext(slaves=slaves, single=False), expect


async def main():
    kind, config, ready, expected = sys.argv[1:5]
    context, expect = make_context()
    write_expected(expected, expect)
    if kind == "tcp":
        server = ModbusTcpServer(context, address=("127.0.0.1", 0), ignore_missing_slaves=True)
        task = asyncio.ensure_future(server.serve_forever())
        await server.serving
        port = server.server.sockets[0].getsockname()[1]
        write_config(config, f'{{ id = "bus"; host = "127.0.0.1"; port = {port}; }}')
    elif kind == "tls":
        keys = sys.argv[5]
        tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        tls.load_cert_chain(f"{keys}/meter.pem", f"{keys}/meter.key")
        tls.load_verify_locations(f"{keys}/ca.pem")
        tls.verify_mode = ssl.CERT_REQUIRED  # both sides have certificates (MB-TCP-Security)
        # the header of Modbus/TCP goes inside TLS too, which this library's own TLS framer leaves out
        server = ModbusTlsServer(context, framer=ModbusSocketFramer, address=("127.0.0.1", 0), sslctx=tls,
                                 ignore_missing_slaves=True)
        task = asyncio.ensure_future(server.serve_forever())
        await server.serving
        port = server.server.sockets[0].getsockname()[1]
        write_config(config, f'{{ id = "bus"; host = "127.0.0.1"; port = {port}; timeout_ms = 1000; tls = {{ ca = "{keys}/ca.pem"; '
                             f'cert = "{keys}/gateway.pem"; key = "{keys}/gateway.key"; }}; }}')
    else:
        device = sys.argv[5]
        server = ModbusSerialServer(context, framer=ModbusRtuFramer, port=device, baudrate=115200,
                                    parity="N", stopbits=1, bytesize=8, ignore_missing_slaves=True)
        await server.start()
        task = asyncio.ensure_future(server.serve_forever())
        write_config(config, f'{{ id = "bus"; device = "{config}/line"; baud = 115200; }}')
    with open(ready, "w", encoding="ascii") as f:
        f.write("ready\n")
    await task


logging.disable(logging.CRITICAL)
asyncio.run(main())

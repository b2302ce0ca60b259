// Meters of many shapes behind one TCP endpoint, played by a library of npm: npm_meters.mjs LIBRARY CONFIG READY EXPECTED
// Writes CONFIG/site.cfg and a map of every type in every order, what should be read to EXPECTED ("meter column value"
// lines), and READY once it serves. Bytes are laid by node's own Buffer, from the words of the shipped maps'
// comments; CONFIG's one map names the types and orders that are laid. Meters that describe themselves are laid by the offsets of the
// SunSpec models' definitions (sunspec/models, JSON), every one of the eight meter models.
import { createRequire } from "module";
import { writeFileSync } from "fs";
import net from "net";
const require = createRequire(process.env.MODULES + "/");
const [library, config, ready, expected] = process.argv.slice(2);

const spaces = {}; // unit -> {3: Buffer, 4: Buffer}
const bytesOf = {
  u16: (v) => (b => (b.writeUInt16BE(v), b))(Buffer.alloc(2)),
  s16: (v) => (b => (b.writeInt16BE(v), b))(Buffer.alloc(2)),
  u32: (v) => (b => (b.writeUInt32BE(v), b))(Buffer.alloc(4)),
  s32: (v) => (b => (b.writeInt32BE(v), b))(Buffer.alloc(4)),
  f32: (v) => (b => (b.writeFloatBE(v), b))(Buffer.alloc(4)),
  u64: (v) => (b => (b.writeBigUInt64BE(BigInt(v)), b))(Buffer.alloc(8)),
  s64: (v) => (b => (b.writeBigInt64BE(BigInt(v)), b))(Buffer.alloc(8)),
};
// where each byte of the value goes, by the order's letters
const placed = {
  ABCD: (b) => b,
  DCBA: (b) => Buffer.from(b).reverse(),
  BADC: (b) => Buffer.from(b).swap16(),
  CDAB: (b) => Buffer.from(b).reverse().swap16(),
};
const bytesHeld = 2 * 0xd000; // SunSpec may begin at register 50000
function lay(unit, fn, address, type, order, raw) {
  spaces[unit] ??= { 3: Buffer.alloc(bytesHeld, 0), 4: Buffer.alloc(4096, 0) };
  placed[order](bytesOf[type](raw)).copy(spaces[unit][fn], 2 * address);
}

const P = (quantity, fn, address, channels, type, more = {}) =>
  ({ quantity, fn, address, channels, type, order: "ABCD", scale: 1, first: 1, ...more });
const low = { order: "CDAB" };
const shapes = {
  "branch-meter-42": [P("amps", 4, 0, 42, "u16", { scale: 0.01 }), P("panel_volts", 4, 42, 3, "u16", { scale: 0.1 }),
    P("watts", 4, 100, 42, "u32", { scale: 0.1 })],
  "branch-meter-12": ["amps", "watts", "pf", "volts"].map((q, i) => P(q, 3, 256 + 2 * i, 12, "f32", { stride: 8, ...low }))
    .concat([P("panel_volts", 3, 512, 2, "f32", low)]),
  "feeder-meter-3": [P("amps", 4, 0, 3, "u32", { scale: 0.001 }), P("watts", 4, 6, 3, "s32", { scale: 0.001 }),
    P("pf", 4, 12, 3, "s16", { scale: 0.001 }), P("panel_volts", 4, 15, 3, "u16", { scale: 0.1 })],
  "scaled-meter-6": [P("amps", 3, 100, 6, "u16", { power: [106, -2] }), P("watts", 3, 107, 6, "s16", { power: [113, 1] }),
    P("panel_volts", 3, 114, 2, "u16", { power: [116, -1] })],
  "ct-12-amps-16": [P("amps", 4, 0, 12, "u16", { scale: 0.01 })],
  "ct-24-amps-16": [P("amps", 3, 0, 24, "u16", { scale: 0.01 }), P("watts", 3, 100, 24, "s16"),
    P("pf", 3, 200, 24, "s16", { scale: 0.001 }), P("panel_volts", 3, 300, 3, "u16", { scale: 0.1 })],
  "ct-24-float-high-word-first": [P("amps", 4, 0, 24, "f32"), P("watts", 4, 100, 24, "f32"), P("pf", 4, 200, 24, "f32"),
    P("panel_volts", 4, 300, 3, "f32")],
  "ct-42-float-low-word-first": [P("amps", 3, 0, 42, "f32", low), P("watts", 3, 200, 42, "f32", low),
    P("panel_volts", 3, 400, 3, "f32", low)],
  "ct-12-blocks-with-energy": [P("volts", 3, 0, 12, "u16", { scale: 0.1, stride: 8 }),
    P("amps", 3, 1, 12, "u16", { scale: 0.01, stride: 8 }), P("watts", 3, 2, 12, "s16", { stride: 8 }),
    P("pf", 3, 3, 12, "s16", { scale: 0.001, stride: 8 })],
  "ct-pairs-12": [P("amps", 3, 0, 12, "u16", { scale: 0.01, stride: 4 }),
    P("amps", 3, 1, 12, "u16", { scale: 0.01, stride: 4, first: 13 }), P("watts", 3, 2, 12, "s16", { stride: 4 }),
    P("watts", 3, 3, 12, "s16", { stride: 4, first: 13 }), P("panel_volts", 3, 60, 2, "u16", { scale: 0.1 })],
  "main-split-phase-float": [P("panel_volts", 4, 0, 2, "f32"), P("amps", 4, 4, 2, "f32"), P("watts", 4, 8, 2, "f32"),
    P("pf", 4, 12, 2, "f32")],
};
for (const [word, order] of [["high", "ABCD"], ["low", "CDAB"]])
  shapes[`ct-42-milliamps-32-${word}-word-first`] = [P("amps", 4, 0, 42, "u32", { order, scale: 0.001 }),
    P("watts", 4, 200, 42, "s32", { order, scale: 0.1 }), P("panel_volts", 4, 400, 3, "u16", { scale: 0.1 })];

// every type in every order, a channel each: amps where there is no sign, watts for all
const every = [];
for (const type of ["u16", "s16", "u32", "s32", "f32", "u64", "s64"])
  for (const order of type.endsWith("16") ? ["ABCD", "BADC"] : ["ABCD", "CDAB", "BADC", "DCBA"]) {
    const n = every.length + 1;
    every.push(P("watts", n % 2 ? 3 : 4, 8 * n, 1, type, { order, first: n }));
  }
const amps = P("amps", 3, 0, every.length, "u16", { scale: 0.01, stride: 1, address: 400 });
shapes["every-type"] = [amps, ...every];
writeFileSync(`${config}/maps/every-type.cfg`, `name = "Every type in every order";\npoints = (\n` + shapes["every-type"].map((p) =>
  `  { quantity = "${p.quantity}"; function = ${p.fn}; address = ${p.address}; channels = ${p.channels}; type = "${p.type}"; ` +
  `order = "${p.order}"; scale = ${p.scale.toFixed(3)}; first_channel = ${p.first}; }`).join(",\n") + "\n);\n");

const registers = { u16: 1, s16: 1, u32: 2, s32: 2, f32: 2, u64: 4, s64: 4 };
let seed = 20;
const chance = () => (seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0) / 2 ** 32;
const ranges = { amps: [0, 90], watts: [-9000, 9000], volts: [90, 260], pf: [-1, 1], panel_volts: [110, 130] };
function rawFor(p) {
  const [least, most] = ranges[p.quantity], scale = p.power ? 10 ** p.power[1] : p.scale;
  let v = (least + chance() * (most - least)) / scale;
  if (p.type === "f32") return Math.fround(v);
  v = Math.round(v);
  if (p.type.startsWith("u")) v = Math.abs(v);
  if (p.type.endsWith("16")) v = Math.max(-32767, Math.min(p.type[0] === "u" ? 65534 : 32767, v));
  return v;
}

const meters = [], circuits = [], lines = [];
let unit = 0;
for (const [map, points] of Object.entries(shapes)) {
  unit++;
  const id = `m${unit}`;
  const legs = points.find((p) => p.quantity === "panel_volts")?.channels ?? 0;
  const many = Math.max(...points.filter((p) => p.quantity === "amps").map((p) => p.first + p.channels - 1));
  meters.push(`  { id = "${id}"; bus = "lan"; unit = ${unit}; map = "${map}"; panel = "p${unit}"; }`);
  for (let c = 1; c <= many; c++)
    circuits.push(`  { id = "${id}-${c}"; panel = "p${unit}"; position = "${c}"; name = "${c}"; poles = 1; leg = "A"; ` +
      `breaker_amps = 20; meter = "${id}"; channels = [ ${c} ]; }`);
  for (const p of points)
    for (let c = 0; c < p.channels; c++) {
      const raw = rawFor(p), at = p.address + c * (p.stride ?? registers[p.type]);
      lay(unit, p.fn, at, p.type, p.order, raw);
      if (p.power) lay(unit, p.fn, p.power[0], "s16", "ABCD", p.power[1]);
      const value = raw * (p.power ? 10 ** p.power[1] : p.scale);
      if (p.quantity === "panel_volts") {
        if (c < Math.min(legs, 3)) lines.push(`${id} p${unit}.volts_${"abc"[c]} ${value}`);
      } else lines.push(`${id} ${id}-${p.first + c}.${p.quantity} ${value}`);
    }
}
// ---- meters that describe themselves: [model, first offsets of A, V, W, PF, and of their scales]; phases follow the totals
const be = (u, at, type, v) => lay(u, 3, at, type, "ABCD", v);
function sunspecMeter(base, models) {
  const u = ++unit, id = `m${unit}`, phases = [1, 2, 3, 3];
  meters.push(`  { id = "${id}"; bus = "lan"; unit = ${u}; map = "sunspec"; panel = "p${u}"; }`);
  be(u, base, "u32", 0x53756e53);
  be(u, base + 2, "u16", 1);
  be(u, base + 3, "u16", 66);
  const maker = Buffer.from("Peer of npm".padEnd(32, "\0"));
  for (let i = 0; i < 16; i++) be(u, base + 4 + i, "u16", maker.readUInt16BE(2 * i));
  let at = base + 70, first = 1;
  for (const model of models) {
    const real = model > 210, n = phases[model % 10 - 1];
    be(u, at, "u16", model);
    be(u, at + 1, "u16", real ? 124 : 105);
    const put = (offset, scale, exponent, phase, v) => { // one point: a float, or an integer and its scale
      if (real) return be(u, at + offset + 2 * phase, "f32", v);
      be(u, at + scale, "s16", exponent);
      be(u, at + offset + phase, "s16", Math.round(v / 10 ** exponent));
    };
    for (let o = 2; o < (real ? 124 : 38); o += real ? 2 : 1) be(u, at + o, real ? "f32" : "s16", real ? NaN : -0x8000);
    const legs = [1, 2, 3].slice(0, n), total = (v) => v.reduce((a, b) => a + b, 0);
    const amps = legs.map((k) => 1.25 * k + model % 7), watts = legs.map((k) => -120 * k + model), volts = legs.map((k) => 229 + k);
    const pf = legs.map((k) => 0.5 + k / 10), delta = model % 10 === 4; // a delta has no neutral
    put(2, 6, -2, 0, total(amps));
    put(real ? 28 : 18, 22, 0, 0, total(watts));
    if (n === 1) put(real ? 52 : 33, 37, real ? 0 : -1, 0, real ? pf[0] : 100 * pf[0]);
    legs.forEach((k) => {
      const channel = first + k - 1, of = (q, v) => lines.push(`${id} ${id}-${channel}.${q} ${v}`);
      put(2, 6, -2, k, amps[k - 1]);
      put(real ? 28 : 18, 22, 0, k, watts[k - 1]);
      put(real ? 52 : 33, 37, real ? 0 : -1, k, real ? pf[k - 1] : 100 * pf[k - 1]);
      of("amps", amps[k - 1]);
      of("watts", watts[k - 1]);
      of("pf", pf[k - 1]);
      if (delta) return;
      put(real ? 10 : 7, 15, -1, k, volts[k - 1]);
      of("volts", volts[k - 1]);
      if (first === 1) lines.push(`${id} p${u}.volts_${"abc"[k - 1]} ${volts[k - 1]}`);
    });
    legs.forEach((k) => circuits.push(`  { id = "${id}-${first + k - 1}"; panel = "p${u}"; position = "${first + k - 1}"; name = "x"; poles = 1; ` +
      `leg = "A"; breaker_amps = 20; meter = "${id}"; channels = [ ${first + k - 1} ]; }`));
    at += real ? 126 : 107;
    first += 3;
  }
  be(u, at, "u16", 0xffff);
  be(u, at + 1, "u16", 0);
}
sunspecMeter(40000, [202, 203]);
sunspecMeter(0, [204]);
sunspecMeter(50000, [201]);
sunspecMeter(40000, [213, 214]);
sunspecMeter(0, [212]);
sunspecMeter(50000, [211]);
const panels = meters.map((_, i) => `  { id = "p${i + 1}"; name = "p"; legs = 3; rating_amps = 200; }`);

function listening(port) {
  writeFileSync(`${config}/site.cfg`, `site = { id = "npm"; name = "Peer"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };\n` +
    `panels = (\n${panels.join(",\n")}\n);\nbuses = ( { id = "lan"; host = "127.0.0.1"; port = ${port}; } );\n` +
    `meters = (\n${meters.join(",\n")}\n);\ncircuits = (\n${circuits.join(",\n")}\n);\n`);
  writeFileSync(expected, lines.join("\n") + "\n");
  writeFileSync(ready, "ready\n");
}

if (library === "modbus-serial") {
  const { ServerTCP } = require("modbus-serial");
  const word = (fn) => (address, u) => spaces[u][fn].readUInt16BE(2 * address);
  const probe = net.createServer().listen(0, "127.0.0.1", () => {
    const { port } = probe.address(); // its server takes no port 0
    probe.close(() => {
      const server = new ServerTCP({ getHoldingRegister: word(3), getInputRegister: word(4) },
        { host: "127.0.0.1", port, unitID: 255 }); // 255: every unit
      server.on("initialized", () => listening(port));
    });
  });
} else {
  const jsmodbus = require("jsmodbus");
  const server = net.createServer();
  const modbus = new jsmodbus.server.TCP(server, { holding: Buffer.alloc(bytesHeld), input: Buffer.alloc(4096) });
  // one buffer for all units in this library: each request gets its own unit's
  for (const [event, fn] of [["preReadHoldingRegisters", 3], ["preReadInputRegisters", 4]])
    modbus.on(event, (request) => spaces[request.unitId][fn].copy(fn === 3 ? modbus.holding : modbus.input));
  server.listen(0, "127.0.0.1", () => listening(server.address().port));
}

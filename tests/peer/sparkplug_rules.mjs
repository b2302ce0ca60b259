// What a host hears, held against the rules of Sparkplug 3.0 (chapters 4 to 6 of the specification), decoded by
// npm's sparkplug-payload.
//
//   sparkplug_rules.mjs check FILE GROUP NODE      lines of "topic qos retained hex"; prints a summary as JSON
//   sparkplug_rules.mjs rebirth FILE               writes the payload of an NCMD that asks for a rebirth
//   sparkplug_rules.mjs count FILE KIND            how many messages of that kind
import { createRequire } from "node:module";
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";

const require = createRequire(join(process.env.MODULES, "x.js"));
const sparkplug = require("sparkplug-payload").get("spBv1.0");

function messages(file) {
  return readFileSync(file, "utf8").split("\n").filter((l) => l.startsWith("spBv1.0/")).map((line) => {
    const [topic, qos, retained, hex] = line.split(" ");
    const [, group, kind, node, device] = topic.split("/");
    const bytes = Buffer.from(hex ?? "", "hex");
    return { topic, group, kind, node, device, qos: Number(qos), retained: retained === "1", bytes };
  });
}

let at = 0;
const faults = [];
const want = (good, text) => good || faults.push(`message ${at}: ${text}`);
const metric = (payload, name) => payload.metrics.find((m) => m.name === name);

function check(file, group, node) {
  const session = { seq: null, bdSeq: null, alive: false, devices: new Map(), names: new Set() };
  const seen = { NBIRTH: 0, NDATA: 0, NDEATH: 0, DBIRTH: 0, DDATA: 0, DDEATH: 0 };
  const historical = [], bdSeqs = [], live = [];
  for (const m of messages(file)) {
    at++;
    if (m.group === "STATE" || m.kind === "NCMD" || m.topic.startsWith("spBv1.0/STATE/")) continue;
    want(m.group === group && m.node === node, `group and node of ${m.topic}`);
    want(m.kind in seen, `kind ${m.kind}`);
    want(!m.retained, "is retained");
    seen[m.kind]++;
    const p = sparkplug.decodePayload(m.bytes);
    if (m.kind === "NDEATH") {
      want(m.bytes.length > 0 && p.metrics.length === 1, "NDEATH has exactly one metric");
      want(!("seq" in p) || p.seq === undefined || p.seq === null, "NDEATH has no seq");
      const bdSeq = Number(metric(p, "bdSeq")?.value);
      want(metric(p, "bdSeq")?.type === "Int64", "bdSeq is an Int64");
      if (session.alive) want(bdSeq === session.bdSeq, `NDEATH of bdSeq ${bdSeq}, born with ${session.bdSeq}`);
      if (bdSeq === session.bdSeq) {
        session.alive = false;
        session.devices.clear();
      }
      continue;
    }
    want(m.qos === 0, `QoS ${m.qos}`);
    want(Number(p.timestamp) > 1.7e12, "no timestamp");
    for (const x of p.metrics) want(Number(x.timestamp) > 1.7e12, `metric ${x.name} has no timestamp`);
    if (m.kind === "NBIRTH") {
      const bdSeq = Number(metric(p, "bdSeq")?.value);
      want(Number(p.seq) === 0, `NBIRTH has seq ${p.seq}`);
      want(metric(p, "Node Control/Rebirth")?.value === false, "no Node Control/Rebirth of false");
      want(metric(p, "Node Control/Rebirth")?.type === "Boolean", "Node Control/Rebirth is a Boolean");
      want(metric(p, "bdSeq")?.type === "Int64", "bdSeq is an Int64");
      bdSeqs.push(bdSeq);
      Object.assign(session, { seq: 0, bdSeq, alive: true, names: new Set(p.metrics.map((x) => x.name)) });
      session.devices.clear();
      for (const x of p.metrics) want(x.type && x.type !== "Unknown", `metric ${x.name} has no type`);
      continue;
    }
    want(session.alive, `${m.kind} without a birth`);
    session.seq = (session.seq + 1) % 256;
    want(Number(p.seq) === session.seq, `seq ${p.seq}, wanted ${session.seq}`);
    session.seq = Number(p.seq);
    if (m.kind === "NDATA") {
      for (const x of p.metrics) {
        want(session.names.has(x.name), `NDATA of ${x.name}, which was not born`);
        if (x.isHistorical) historical.push({ name: x.name, at: Number(x.timestamp), value: x.value });
      }
    } else if (m.kind === "DBIRTH") {
      want(!session.devices.has(m.device), `a second DBIRTH of ${m.device}`);
      session.devices.set(m.device, new Map(p.metrics.map((x) => [x.name, x.type])));
      for (const x of p.metrics) want(x.type && x.type !== "Unknown", `metric ${x.name} has no type`);
    } else if (m.kind === "DDEATH") {
      want(session.devices.delete(m.device), `DDEATH of ${m.device}, which was not born`);
    } else {
      const born = session.devices.get(m.device);
      want(born, `DDATA of ${m.device}, which was not born`);
      want(p.metrics.length > 0, "DDATA of nothing");
      for (const x of p.metrics) {
        want(born?.has(x.name), `${x.name} was not in the birth`);
        if (x.isHistorical) historical.push({ name: x.name, at: Number(x.timestamp), value: x.value });
        else live.push({ name: x.name, at: Number(x.timestamp), value: x.value });
      }
    }
  }
  const times = historical.map((x) => x.at);
  return { faults, seen, bdSeqs, alive: session.alive, devices: [...session.devices.keys()].sort(), live: live.length,
    historical: { count: historical.length, from: Math.min(...times), to: Math.max(...times),
      amps: historical.filter((x) => x.name.endsWith("/Amps")),
      metrics: [...new Set(historical.map((x) => x.name.replace(/^.*\//, "")))].sort() } };
}

const [, , verb, file, ...rest] = process.argv;
if (verb === "check") {
  const result = check(file, ...rest);
  console.log(JSON.stringify(result));
  process.exit(result.faults.length ? 1 : 0);
} else if (verb === "count") {
  console.log(messages(file).filter((m) => m.kind === rest[0]).length);
} else if (verb === "rebirth") {
  writeFileSync(file, sparkplug.encodePayload({ timestamp: Date.now(),
    metrics: [{ name: "Node Control/Rebirth", type: "Boolean", value: true }] }));
}

/* English and Spanish have the same keys, the same blanks, and every key that the modules ask for. */
import { readFileSync, readdirSync } from 'node:fs';

const dir = new URL('../../gateway/web/pages/', import.meta.url);
const en = {}, es = {};
for (const file of ['words.js', 'study-words.js']) {
  const part = await import('data:text/javascript,' + encodeURIComponent(readFileSync(new URL(file, dir), 'utf8')));
  Object.assign(en, part.en);
  Object.assign(es, part.es);
}
const faults = [];
const blanks = (s) => [...s.matchAll(/\{(\w+)\}/g)].map((m) => m[1]).sort().join();
for (const k of new Set([...Object.keys(en), ...Object.keys(es)])) {
  if (!(k in en)) faults.push(`${k} is only in Spanish`);
  else if (!(k in es)) faults.push(`${k} is only in English`);
  else if (blanks(en[k]) !== blanks(es[k])) faults.push(`${k} has other blanks in Spanish`);
}
for (const file of readdirSync(dir).filter((f) => f.endsWith('.js') && !f.endsWith('words.js')))
  for (const [, key] of readFileSync(new URL(file, dir), 'utf8').matchAll(/\bt\('([\w.]+)'[,)]/g))
    if (!(key in en)) faults.push(`${file} says ${key}, which nobody wrote`);
const events = readFileSync(new URL('../../gateway/model/event.c', import.meta.url), 'utf8');
for (const [name, group] of [['causes', 'cause.'], ['kinds', 'kind.'], ['priorities', 'priority.'], ['states', 'astate.'], ['stages', 'stage.']]) {
  const table = new RegExp(`const ${name}\\[\\] = \\{([^}]*)\\}`).exec(events);
  if (!table) faults.push(`event.c has no table ${name} any more`);
  for (const [, word] of table?.[1].matchAll(/"(\w+)"/g) ?? []) if (!(group + word in en)) faults.push(`nobody wrote ${group + word}`);
}
const judged = readFileSync(new URL('../../gateway/analysis/evidence_judge.c', import.meta.url), 'utf8');
for (const [, word] of judged.matchAll(/\[PIECE_\w+\] = \{"(\w+)"/g)) if (!('evidence.' + word in en)) faults.push(`nobody wrote evidence.${word}`);
const items = readFileSync(new URL('../../gateway/analysis/study_words.c', import.meta.url), 'utf8');
const lines = [...items.matchAll(/\[ITEM_\w+\]\s*=\s*\{"(\w+)"/g)];
if (lines.length < 40) faults.push('study_words.c has no table of items any more');
for (const [, word] of lines) if (!('study.item.' + word in en)) faults.push(`nobody wrote study.item.${word}`);
for (const f of faults) console.log(f);
console.log(`${Object.keys(en).length} sentences, ${faults.length} faults`);
process.exit(faults.length ? 1 : 0);

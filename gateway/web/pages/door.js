/* door: where each breaker sits, as the panel door says.
 *
 * A North American panel has two columns: odd places down the left, even down the right, place n in row
 * ceil(n/2). A tandem (7A, 7B) shares one place. A rail (IEC) is one row of modules, left to right.
 * A position that names no place stands by itself below.
 */

const PLACE = /^([A-Za-z]{0,3})(\d{1,4})([A-Za-z]?)$/;

/* "7", "15,17", "15-17", "7A": the numbers it takes */
export function places(position, poles, step) {
  const parts = position.split(/[,-]/).map((p) => PLACE.exec(p.trim()));
  if (parts.some((p) => !p || p[1])) return null;
  const numbers = parts.map((p) => Number(p[2]));
  const first = numbers[0], last = numbers[numbers.length - 1];
  if (numbers.length === 1) return { first, last: first, half: parts[0][3].toUpperCase() };
  return { first, last: position.includes('-') && poles > 2 ? first + step * (poles - 1) : last, half: '' };
}

/* {rows, slots: [{circuit, column, row, span, half}], empty: [{place, column, row}], loose: [circuit]} */
export function twoColumns(circuits) {
  const slots = [], loose = [], taken = new Set();
  let rows = 0;
  for (const circuit of circuits) {
    const p = places(circuit.position, circuit.poles, 2);
    if (!p) {
      loose.push(circuit);
      continue;
    }
    const row = Math.ceil(p.first / 2), end = Math.ceil(p.last / 2);
    const column = p.first % 2 ? 1 : 2;
    slots.push({ circuit, column, row, span: Math.max(1, end - row + 1), half: p.half });
    for (let r = row; r <= end; r++) taken.add(column + ':' + r);
    rows = Math.max(rows, end);
  }
  const empty = [];
  for (let row = 1; row <= rows; row++)
    for (const column of [1, 2])
      if (!taken.has(column + ':' + row)) empty.push({ place: 2 * row - (column === 1 ? 1 : 0), column, row });
  slots.sort((a, b) => a.row - b.row || a.column - b.column || a.half.localeCompare(b.half));
  return { rows, slots, empty, loose };
}

/* {slots: [{circuit, at, modules}], loose} in the order of the rail */
export function rail(circuits) {
  const slots = [], loose = [];
  for (const circuit of circuits) {
    const p = places(circuit.position, circuit.poles, 1);
    if (p) slots.push({ circuit, at: p.first, modules: Math.max(p.last - p.first + 1, circuit.poles) });
    else loose.push(circuit);
  }
  slots.sort((a, b) => a.at - b.at);
  return { slots, loose };
}

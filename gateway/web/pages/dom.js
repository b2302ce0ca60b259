/* dom: elements without a template language. Text is always text, never markup. */

const SVG = 'http://www.w3.org/2000/svg';

function fill(el, props, kids) {
  for (const [name, value] of Object.entries(props || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) el.addEventListener(name.slice(2), value);
    else if (name === 'style') for (const [k, v] of Object.entries(value)) el.style.setProperty(k, v);
    else el.setAttribute(name, value === true ? '' : value);
  }
  el.append(...kids.flat(9).filter((k) => k !== null && k !== undefined && k !== false));
  return el;
}

/* h('p', {class: 'x', onclick: f}, 'text', h(...)) */
export const h = (tag, props, ...kids) => fill(document.createElement(tag), props, kids);
export const s = (tag, props, ...kids) => fill(document.createElementNS(SVG, tag), props, kids);

/* Only what is different is touched: a screen reader, a selection and the focus stay where they are. */
export function text(el, value) {
  if (el.textContent !== value) el.textContent = value;
}
export function attr(el, name, value) {
  if (value === null || value === undefined) {
    if (el.hasAttribute(name)) el.removeAttribute(name);
  } else if (el.getAttribute(name) !== String(value)) el.setAttribute(name, value);
}
export function show(el, yes) {
  if (el.hidden === Boolean(yes)) el.hidden = !yes;
}
/* Replaces the children only when what they are made of has changed. */
export function remake(el, key, make) {
  if (el.dataset.key === key) return;
  el.dataset.key = key;
  el.replaceChildren(...[make()].flat(9).filter(Boolean));
}

export function view(root) { root.replaceChildren(); return {}; }

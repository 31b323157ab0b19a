/** Elements of a page. */

/**
 * Make an element.
 * @param {string} tag
 * @param {Record<string, any>} [given] attributes; a function under `onclick` and the like listens
 * @param {...(Node | string | null)} children
 * @returns {any}
 */
export function element(tag, given = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value !== null && value !== false) node.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children) if (child !== null) node.append(child);
  return node;
}

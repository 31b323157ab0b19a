/** Draws into one SVG group by name: what keeps its name keeps its node, and only what changed is written. */

const SVG = "http://www.w3.org/2000/svg";

/**
 * Make one node of a picture.
 * @param {string} tag
 * @param {Record<string, string | number>} [attributes]
 * @returns {SVGElement}
 */
export function svgNode(tag, attributes = {}) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, String(value));
  return node;
}

/**
 * A tenth of a pixel is as near as anybody sees.
 * @param {any} value
 */
function written(value) {
  return typeof value === "number" ? String(Math.round(value * 10) / 10) : value;
}

/** One layer of a picture. Between `begin` and `end` everything is named again; the rest is taken away. */
export class Pen {
  /** @param {SVGElement} group */
  constructor(group) {
    this.group = group;
    /** @type {Map<string, {node: SVGElement, said: Record<string, string>, round: number}>} */
    this.things = new Map();
    this.round = 0;
  }

  /** @param {string} name @returns {SVGElement} what was put there by that name */
  node(name) {
    return /** @type {any} */ (this.things.get(name)).node;
  }

  begin() {
    this.round += 1;
  }

  end() {
    for (const [name, thing] of this.things) {
      if (thing.round !== this.round) {
        thing.node.remove();
        this.things.delete(name);
      }
    }
  }

  /**
   * Put a node there, or change the one of that name.
   * @param {string} name
   * @param {string} tag
   * @param {Record<string, string | number>} attributes
   * @param {string} [text]
   * @returns {SVGElement}
   */
  put(name, tag, attributes, text) {
    let thing = this.things.get(name);
    if (!thing) {
      thing = { node: svgNode(tag), said: {}, round: 0 };
      this.things.set(name, thing);
      this.group.append(thing.node);
    }
    thing.round = this.round;
    for (const key in attributes) {
      const value = written(attributes[key]);
      if (thing.said[key] !== value) {
        thing.said[key] = value;
        thing.node.setAttribute(key, value);
      }
    }
    if (text !== undefined && thing.said["#"] !== text) {
      thing.said["#"] = text;
      thing.node.textContent = text;
    }
    return thing.node;
  }

  /** @param {string} name @param {number[]} points x, y, x, y ... @param {string} look */
  line(name, points, look) {
    let way = `M${written(points[0])} ${written(points[1])}`;
    for (let k = 2; k < points.length; k += 2) way += `L${written(points[k])} ${written(points[k + 1])}`;
    return this.put(name, "path", { d: way, class: look });
  }

  /** @param {string} name @param {number} x @param {number} y @param {string} words @param {string} look */
  text(name, x, y, words, look, anchor = "middle") {
    return this.put(name, "text", { x, y, class: look, "text-anchor": anchor }, words);
  }
}

// Elements of the page by their ids, and new ones.

/**
 * @template {keyof Elements} Name
 * @param {Name} name
 * @returns {Elements[Name]}
 */
export function at(name) {
  return /** @type {Elements[Name]} */ (/** @type {unknown} */ (document.getElementById(name)));
}

/**
 * A new element with text; text is always text, never markup.
 * @template {keyof HTMLElementTagNameMap} Tag
 * @param {Tag} tag
 * @param {string | number} [text]
 * @param {Record<string, string | number>} [attributes]
 */
export function made(tag, text = "", attributes = {}) {
  const element = document.createElement(tag);
  element.textContent = String(text);
  for (const [name, value] of Object.entries(attributes)) {
    element.setAttribute(name, String(value));
  }
  return element;
}

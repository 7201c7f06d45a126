// The library that draws the plots, from the installed package; loaded once, when it is first needed.

/** @type {Promise<Plotly> | null} */
let loading = null;

export function library() {
  loading ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = "/library/plotly.min.js";
    script.addEventListener("load", () => resolve(window.Plotly));
    script.addEventListener("error", () => reject(new Error("the library for plots did not load")));
    document.head.append(script);
  });
  return loading;
}

/**
 * A name as the library draws it: it reads some markup, and a name is text.
 * @param {string} name
 */
export function drawnName(name) {
  return name.replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");
}

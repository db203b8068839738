// Makes elements of the page: make("button", {class: "x", onclick: f}, "text", child).

export function make(name, given = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key in element && key !== "list" && typeof value !== "string") element[key] = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...inside.flat().filter((each) => each !== null && each !== undefined && each !== false));
  return element;
}

export const byId = (id) => document.getElementById(id);

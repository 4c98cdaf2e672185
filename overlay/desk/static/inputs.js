// Inputs bound to a place of the sheet; an empty one takes its key out.
import { h } from "./dom.js";
import { edit } from "./store.js";

const NUMBER = /^-?\d+([.,]\d+)?$/;
const asNumber = (said) => NUMBER.test(said) ? Number(said.replace(",", ".")) : said;

function bound(path, value, read, more) {
  const onchange = ({ target }) => {
    const said = read(target.value.trim());
    if (said !== "" && said.length !== 0) edit({ op: "set", path, value: said });
    else if (value !== "") edit({ op: "unset", path });
  };
  return h("input", { value, maxLength: 2000, onchange, ...more });
}

export const text = (path, value, more = {}) => bound(path, value ?? "", (said) => said, more);

export const number = (path, value, more = {}) =>
  bound(path, value ?? "", asNumber, { inputMode: "decimal", maxLength: 20, ...more });

export function list(path, value, placeholder = "", read = (said) => said) {
  return bound(path, [].concat(value ?? []).join(", "),
    (said) => said.split(",").map((one) => one.trim()).filter(Boolean).map(read), { placeholder });
}
list.numbers = (path, value) => list(path, value, "", asNumber);

// A name, and the edits that let those who use it follow.
export function renamed(old, path, followers) {
  return h("input", { value: old || "", maxLength: 40, onchange: ({ target }) => {
    const value = target.value.trim();
    edit({ op: "set", path, value }, ...followers(value));
  } });
}

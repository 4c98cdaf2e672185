// Time and numbers: text from the program to arrays, and look-up in sorted arrays.

/** Numbers that the program formatted, one string (or names, a list): shown as they stand. */
export class Spaced {
  constructor(text) {
    this.isNames = Array.isArray(text);
    this.words = this.isNames ? text : text ? text.split(" ") : [];
    this.numbers = this.words.map((word) => (word === "_" ? null : Number(word)));
  }

  /** What is shown at an index: the program's own digits, with a true minus. */
  shown(index) {
    const word = this.words[index];
    if (this.isNames) return word ?? "";
    return word === undefined || word === "_" ? "none" : word.replace("-", "\u2212");
  }
}

/** Index of the last item that is not after `value`; 0 before the first. */
export function lastAtOrBefore(sorted, value) {
  let low = 0;
  let high = sorted.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (sorted[middle] <= value) low = middle;
    else high = middle - 1;
  }
  return low;
}

/** Index of the item nearest to `value`. */
export function nearest(sorted, value) {
  const low = lastAtOrBefore(sorted, value);
  const next = low + 1;
  return next < sorted.length && sorted[next] - value < value - sorted[low] ? next : low;
}

/** A table of two rising columns read as a function; beyond its ends it goes on at their slope. */
export function between(xs, ys, x) {
  if (xs.length < 2) return ys[0];
  const low = Math.min(lastAtOrBefore(xs, x), xs.length - 2);
  const slope = (ys[low + 1] - ys[low]) / (xs[low + 1] - xs[low]);
  return ys[low] + slope * (x - xs[low]);
}

// The gauges as the program drew them: sheets of pictures, one for each frame of the clip.

import { nearest } from "./clock.js";

const KEPT_SHEETS = 6; // decoded at a time: some 10 s of a clip

/** One set of gauge pictures (corrected, or as the receiver showed it). */
export class GaugeSheets {
  /**
   * @param {{size: number[], frames: number, layers: object[], sheets: object[]}} set
   * @param {number[]} times footage time of each frame, seconds
   * @param {string} base URL in front of the sheets' names
   */
  constructor(set, times, base) {
    this.set = set;
    this.times = times;
    this.base = base;
    this.loaded = new Map(); // sheet number: {image, ready}
  }

  /** The frame whose gauges belong to a footage time. */
  frameAt(timeS) {
    return nearest(this.times, timeS);
  }

  /** Resolves when the sheet of a frame can be drawn. */
  ready(frame) {
    return this._sheet(Math.floor(frame / this.set.frames)).promise;
  }

  /** Draw the gauges of a frame; false, and nothing drawn, where its sheet is still on its way. */
  draw(context, frame) {
    const { size, layers, frames, sheets } = this.set;
    const scale = context.canvas.width / size[0];
    const number = Math.floor(frame / frames);
    const sheet = this._sheet(number);
    for (const ahead of [number + 1, number + 2]) if (ahead < sheets.length) this._sheet(ahead);
    if (!sheet.ready) return false;
    const cells = sheets[number].cells;
    layers.forEach((layer, place) => {
      const [left, top] = cells[place][frame - number * frames];
      const [wide, high] = layer.cell;
      context.drawImage(
        sheet.image, left, top, wide, high,
        layer.x * scale, layer.y * scale, layer.width * scale, layer.height * scale,
      );
    });
    return true;
  }

  _sheet(number) {
    let sheet = this.loaded.get(number);
    if (sheet) {
      this.loaded.delete(number); // last used last
    } else {
      const image = new Image();
      image.src = this.base + this.set.sheets[number].name;
      sheet = { image, ready: false };
      sheet.promise = image.decode().then(
        () => { sheet.ready = true; },
        () => { this.loaded.delete(number); throw new Error(`gauges missing: ${image.src}`); },
      );
      sheet.promise.catch(() => {});
    }
    this.loaded.set(number, sheet);
    if (this.loaded.size > KEPT_SHEETS) this.loaded.delete(this.loaded.keys().next().value);
    return sheet;
  }
}

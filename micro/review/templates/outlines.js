// Outlines of one field while acts change them. The program does the same sums in the same order (drawn.py, apply.py):
// both come to the same pixels and areas.
const LINKS = [[0, 1], [1, -1], [1, 0], [1, 1]];

function bytesOf(text) {
  const binary = atob(text);
  const bytes = new Uint8Array(binary.length);
  for (let i = 0; i < binary.length; i += 1) bytes[i] = binary.charCodeAt(i);
  return bytes;
}
// Runs of equal values in reading order: value and length in turn, seven bits a byte, the lowest first.
function unpacked(text, into) {
  const bytes = bytesOf(text);
  let at = 0;
  let place = 0;
  const number = () => {
    let value = 0;
    let factor = 1;
    for (;;) {
      const byte = bytes[at];
      at += 1;
      value += (byte & 127) * factor;
      if (byte < 128) return value;
      factor *= 128;
    }
  };
  while (at < bytes.length) {
    const value = number();
    const length = number();
    into.fill(value, place, place + length);
    place += length;
  }
  return into;
}
function side(x1, y1, x2, y2, x, y) {
  return (x2 - x1) * (y - y1) - (y2 - y1) * (x - x1) >= 0;
}

class Outlines {
  constructor(data) {
    this.data = data;
    this.width = data.width;
    this.height = data.height;
    this.labels = new Int32Array(data.width * data.height);
    this.excluded = new Uint8Array(data.width * data.height);
    this.reset();
  }
  reset() {
    unpacked(this.data.labels, this.labels);
    unpacked(this.data.left_out, this.excluded);
    this.area = [0, ...this.data.area_px2];
    this.kind = [0, ...this.data.class_index];
    this.byHand = this.area.map(() => false);
    this.analysed = this.excluded.length;
    for (const one of this.excluded) this.analysed -= one;
  }
  fraction() {
    let sum = 0;
    for (const one of this.area) sum += one;
    return this.analysed ? sum / this.analysed : 0;
  }
  at(x, y) {
    const column = Math.floor(x);
    const row = Math.floor(y);
    return column >= 0 && row >= 0 && column < this.width && row < this.height ? this.labels[row * this.width + column] : 0;
  }
  replay(acts) {
    this.reset();
    for (const act of acts) this.apply(act);
  }
  apply(act) {
    if (act.act === "accept" || act.act === "reject") return true;
    return this[act.act](act);
  }
  not_carbide(act) {
    const number = this.at(...act.points[0]);
    if (!number) return false;
    this.rename(number, 0);
    this.area[number] = 0;
    return true;
  }
  rename(from, to) {
    for (let i = 0; i < this.labels.length; i += 1) if (this.labels[i] === from) this.labels[i] = to;
  }
  join(act) {
    const [first, second] = act.points.map((p) => this.at(...p)).sort((a, b) => a - b);
    if (!first || first === second) return false;
    this.rename(second, first);
    if (this.area[second] > this.area[first]) this.kind[first] = this.kind[second];
    this.area[first] += this.area[second];
    this.area[second] = 0;
    this.byHand[first] = true;
    return true;
  }
  add(kind) {
    this.area.push(0);
    this.kind.push(kind);
    this.byHand.push(true);
    return this.area.length - 1;
  }
  partedLinks(points) {
    const { width, height } = this;
    const parted = new Uint8Array(width * height);
    const window = (a, b, length) => [
      Math.max(0, Math.min(length, Math.floor(Math.min(a, b)) - 2)), Math.max(0, Math.min(length, Math.floor(Math.max(a, b)) + 3)),
    ];
    for (let i = 0; i + 1 < points.length; i += 1) {
      const [x1, y1] = points[i];
      const [x2, y2] = points[i + 1];
      const [top, bottom] = window(y1, y2, height);
      const [left, right] = window(x1, x2, width);
      for (let row = top; row < bottom; row += 1) {
        for (let column = left; column < right; column += 1) {
          const ax = column + 0.5;
          const ay = row + 0.5;
          const here = side(x1, y1, x2, y2, ax, ay);
          for (let k = 0; k < 4; k += 1) {
            const bx = ax + LINKS[k][1];
            const by = ay + LINKS[k][0];
            if (here !== side(x1, y1, x2, y2, bx, by) && side(ax, ay, bx, by, x1, y1) !== side(ax, ay, bx, by, x2, y2)) {
              parted[row * width + column] |= 1 << k;
            }
          }
        }
      }
    }
    return parted;
  }
  // Connected pieces of one label, each a list of places, in reading order of their first.
  pieces(places, number, parted) {
    const { width, height, labels } = this;
    const seen = new Set();
    const found = [];
    for (const start of places) {
      if (seen.has(start)) continue;
      const piece = [];
      const waiting = [start];
      seen.add(start);
      while (waiting.length) {
        const here = waiting.pop();
        piece.push(here);
        const row = Math.floor(here / width);
        const column = here - row * width;
        for (let k = 0; k < 4; k += 1) {
          for (const way of [1, -1]) {
            const r = row + way * LINKS[k][0];
            const c = column + way * LINKS[k][1];
            const there = r * width + c;
            if (r < 0 || c < 0 || r >= height || c >= width || labels[there] !== number || seen.has(there)) continue;
            if (parted && parted[way === 1 ? here : there] & (1 << k)) continue;
            seen.add(there);
            waiting.push(there);
          }
        }
      }
      found.push(piece);
    }
    return found;
  }
  cut(act) {
    const parted = this.partedLinks(act.points);
    const places = new Map();
    for (let i = 0; i < parted.length; i += 1) if (parted[i] && this.labels[i]) places.set(this.labels[i], []);
    if (!places.size) return false;
    for (let i = 0; i < this.labels.length; i += 1) {
      const own = places.get(this.labels[i]);
      if (own) own.push(i);
    }
    let met = false;
    for (const number of [...places.keys()].sort((a, b) => a - b)) {
      const own = places.get(number);
      const parts = this.pieces(own, number, parted);
      if (parts.length > this.pieces(own, number, null).length) {
        const whole = this.area[number];
        parts.forEach((piece, k) => {
          const name = k ? this.add(this.kind[number]) : number;
          for (const place of piece) this.labels[place] = name;
          this.area[name] = whole * (piece.length / own.length);
          this.byHand[name] = true;
        });
        met = true;
      }
    }
    return met;
  }
  // Calls `met` with each place whose centre an outline is wound about.
  inside(points, met) {
    const { width, height } = this;
    const turns = new Map();
    const clip = (value, most) => Math.max(0, Math.min(most, value));
    points.forEach(([x1, y1], i) => {
      const [x2, y2] = points[(i + 1) % points.length];
      const first = clip(Math.ceil(Math.min(y1, y2) - 0.5), height);
      const last = clip(Math.ceil(Math.max(y1, y2) - 0.5), height);
      for (let row = first; row < last; row += 1) {
        const at = x1 + (row + 0.5 - y1) * (x2 - x1) / (y2 - y1);
        const column = clip(Math.floor(at - 0.5) + 1, width);
        if (!turns.has(row)) turns.set(row, new Int32Array(width + 1));
        turns.get(row)[column] += y2 > y1 ? 1 : -1;
      }
    });
    for (const [row, turn] of turns) {
      let wound = 0;
      for (let column = 0; column < width; column += 1) {
        wound += turn[column];
        if (wound) met(row * width + column);
      }
    }
  }
  draw(act) {
    const free = [];
    this.inside(act.points, (place) => {
      if (!this.labels[place] && !this.excluded[place]) free.push(place);
    });
    if (!free.length) return false;
    const number = this.add(this.classOf(act));
    for (const place of free) this.labels[place] = number;
    this.area[number] = free.length;
    return true;
  }
  classOf(act) {
    const named = this.data.classes.indexOf(act.carbide_class || "");
    if (named >= 0) return named;
    const sums = this.data.classes.map(() => 0);
    this.area.forEach((area, i) => { if (i) sums[this.kind[i]] += area; });
    return Math.max(0, sums.indexOf(Math.max(...sums)));
  }
  leave_out(act) {
    const gone = [];
    this.inside(act.points, (place) => { if (!this.excluded[place]) gone.push(place); });
    if (!gone.length) return false;
    const before = new Int32Array(this.area.length);
    for (const label of this.labels) before[label] += 1;
    const after = before.slice();
    for (const place of gone) {
      after[this.labels[place]] -= 1;
      this.labels[place] = 0;
      this.excluded[place] = 1;
    }
    this.analysed -= gone.length;
    for (let i = 1; i < this.area.length; i += 1) this.area[i] *= after[i] / Math.max(before[i], 1);
    return true;
  }
}

(() => {
  const element = (id) => document.getElementById(id);
  const manifest = JSON.parse(element("manifest").textContent);
  const fields = manifest.fields;
  const state = { who: "", at: 0, acts: fields.map(() => ({ done: [], undone: [] })), saved: 0, number: 0 };
  const canvas = element("view");
  const view = { scale: 1, left: 0, top: 0 };
  const spot = { x: 0, y: 0, shown: false };
  let shown = null; // { field, data, image, outlines, overlay }
  let tool = "pick";
  let corners = [];
  let chosen = 0;
  let withOutlines = true;
  let held = false;
  const NEAR = 2.5; // magnification from which outlines are drawn as lines between pixels
  const DRAG = 4; // px of the screen

  // ---- keeping -----------------------------------------------------------
  const key = "micro-review/" + manifest.page;
  let lasting = true;
  function keep() {
    lasting = kept.write(key, { who: state.who, at: state.at, acts: state.acts, saved: state.saved, number: state.number });
    if (!lasting)
      notice("This browser keeps nothing for pages opened from disk: save the review before you close or reload.");
  }
  function recall() {
    const found = kept.read(key);
    if (!found || !Array.isArray(found.acts) || found.acts.length !== fields.length) return false;
    Object.assign(state, found);
    return true;
  }
  function notice(text) {
    element("notice").textContent = text;
    element("notice").hidden = !text;
  }
  const number = (count, word) => count + " " + word + (count === 1 ? "" : "s");
  const own = () => state.acts[state.at];
  const made = () => state.acts.reduce((sum, one) => sum + one.done.length, 0);

  // ---- fields ------------------------------------------------------------
  const waiting = new Map();
  globalThis.microReview = (stem, data) => {
    const wanted = waiting.get(stem);
    waiting.delete(stem);
    if (wanted) wanted(data);
  };
  function load(field) {
    return new Promise((resolve, reject) => {
      const script = document.createElement("script");
      waiting.set(field.stem, resolve);
      script.onload = () => script.remove();
      script.onerror = () => {
        script.remove();
        reject(new Error(field.stem));
      };
      script.src = manifest.folder + "/" + encodeURIComponent(field.stem) + ".js";
      document.head.append(script);
    });
  }
  async function open(index) {
    state.at = index;
    shown = null;
    corners = [];
    chosen = 0;
    keep();
    listed();
    const field = fields[index];
    element("place").textContent = field.specimen + " " + field.field;
    try {
      const data = await load(field);
      const image = new Image();
      image.src = data.picture;
      await image.decode();
      if (state.at !== index) return;
      data.picture = "";
      shown = { field, data, image, outlines: new Outlines(data) };
    } catch {
      notice("The picture of " + field.specimen + " " + field.field + " is missing in the folder " + manifest.folder + ": run micro review again.");
      return;
    }
    shown.found = shown.outlines.fraction();
    shown.outlines.replay(own().done);
    spot.x = Math.floor(shown.data.width / 2) + 0.5;
    spot.y = Math.floor(shown.data.height / 2) + 0.5;
    const select = element("class");
    select.replaceChildren(...shown.data.classes.map((name) => new Option(name, name)));
    element("classes").hidden = shown.data.classes.length < 2;
    element("doubts").textContent = shown.data.message;
    use("pick");
    fit();
    refreshed("");
  }
  function verdict(index) {
    const last = state.acts[index].done.filter((one) => one.act === "accept" || one.act === "reject").pop();
    return last ? last.act : "";
  }
  function listed() {
    const list = element("fields");
    if (list.children.length !== fields.length) {
      list.replaceChildren(...fields.map((field, index) => {
        const item = document.createElement("li");
        const button = document.createElement("button");
        button.type = "button";
        button.className = field.severity === "note" ? "" : "doubt";
        button.append(field.specimen + " " + field.field, document.createElement("small"));
        button.addEventListener("click", () => open(index));
        item.append(button);
        return item;
      }));
    }
    [...list.children].forEach((item, index) => {
      const button = item.firstChild;
      button.setAttribute("aria-current", String(index === state.at));
      const acts = state.acts[index].done.filter((one) => one.act !== "accept" && one.act !== "reject").length;
      const words = [{ accept: "accepted", reject: "rejected" }[verdict(index)], acts ? number(acts, "act") : ""];
      button.lastChild.textContent = words.filter(Boolean).join(", ");
      if (index === state.at) item.scrollIntoView({ block: "nearest" });
    });
    const judged = fields.filter((_, index) => verdict(index)).length;
    element("said").textContent = "Field " + (state.at + 1) + " of " + fields.length + ", " + judged + " judged, " + number(made(), "act");
  }

  // ---- acts --------------------------------------------------------------
  const percent = (fraction) => (100 * fraction).toFixed(3) + " %";
  const signed = (change) => (change < 0 ? "−" : "+") + (100 * Math.abs(change)).toFixed(3);
  const words = {
    not_carbide: "not carbide", cut: "cut", join: "joined", draw: "drawn", leave_out: "left out", accept: "accepted", reject: "rejected",
  };
  function does(act) {
    if (!shown) return false;
    const before = shown.outlines.fraction();
    act.when = new Date().toISOString();
    if (!shown.outlines.apply(act)) {
      hint({
        not_carbide: "No carbide is chosen: click one, or move the spot onto one.", cut: "The line cuts no carbide through.",
        join: "These are not two carbides.", draw: "There is no matrix inside.", leave_out: "That is left out already.",
      }[act.act] || "");
      return false;
    }
    own().done.push(act);
    own().undone = [];
    chosen = 0;
    state.number += 1;
    changed(words[act.act], before);
    return true;
  }
  function changed(what, before) {
    const after = shown.outlines.fraction();
    keep();
    refreshed("Last act, " + what + ": " + signed(after - before) + ", from " + percent(before) + " to " + percent(after) + ".");
  }
  function undo() {
    const act = own().done.pop();
    if (!shown || !act) return;
    const before = shown.outlines.fraction();
    own().undone.push(act);
    state.number += 1;
    chosen = 0;
    shown.outlines.replay(own().done);
    changed("undone, " + words[act.act], before);
  }
  function redo() {
    const act = own().undone.pop();
    if (!shown || !act) return;
    const before = shown.outlines.fraction();
    own().done.push(act);
    state.number += 1;
    chosen = 0;
    shown.outlines.apply(act);
    changed("done again, " + words[act.act], before);
  }
  function ends() {
    if (own().done.length) return " (interval: by the next run)";
    const [low, high] = shown.data.interval || [];
    return shown.data.interval ? " (" + (100 * low).toFixed(2) + " to " + (100 * high).toFixed(2) + ")" : " (interval unknown)";
  }
  function refreshed(what) {
    const now = shown.outlines.fraction();
    const text = element("fraction");
    text.dataset.value = shown.data.editable ? String(now) : "";
    text.textContent = shown.data.editable ? "Area fraction " + (100 * now).toFixed(2) + " %" + ends() : "Area fraction unknown";
    const moved = own().done.length ? "Found: " + percent(shown.found) + "; all acts: " + signed(now - shown.found) + " percentage points. " : "";
    element("change").textContent = shown.data.editable ? moved + what : "Carbides of this field cannot be outlined: accept it or reject it.";
    element("undo").disabled = !own().done.length;
    element("redo").disabled = !own().undone.length;
    const refused = own().done.filter((one) => one.act === "reject" || one.act === "accept").pop();
    if (refused && refused.act === "reject") element("change").textContent += " Rejected: " + refused.reason + ".";
    for (const id of ["not_carbide", "cut", "join", "draw", "leave_out"]) element(id).disabled = !shown.data.editable;
    overlay();
    row();
    listed();
    drawn();
  }
  function use(name) {
    if (name !== "pick" && shown && !shown.data.editable) return;
    tool = name;
    corners = [];
    for (const id of ["pick", "cut", "join", "draw", "leave_out"]) element(id).setAttribute("aria-pressed", String(id === tool));
    element("shapes").hidden = tool !== "draw" && tool !== "leave_out";
    hint({
      pick: "Click a carbide to see its row; drag the picture.", cut: "Draw a line through a carbide, or click its two ends.",
      join: "Click the two carbides.", draw: "Draw round the carbide: it takes what is matrix inside. A polygon ends on its first corner, or on its last once more.",
      leave_out: "Draw round the part to leave out. A polygon ends on its first corner, or on its last once more.",
    }[tool]);
    drawn();
  }
  const hint = (text) => { element("hint").textContent = text; };
  const shape = () => document.querySelector('input[name="shape"]:checked').value;
  const rounded = (point) => [Math.round(point.x * 100) / 100, Math.round(point.y * 100) / 100];
  const box = ([x1, y1], [x2, y2]) => [[x1, y1], [x2, y1], [x2, y2], [x1, y2]];
  function closed(points) {
    const act = { act: tool, points };
    if (tool === "draw" && shown.data.classes.length > 1) act.carbide_class = element("class").value;
    corners = [];
    does(act);
    drawn();
  }
  // A click, or Enter at the spot.
  function at(point) {
    if (!shown) return;
    const place = rounded(point);
    const number = shown.outlines.at(...place);
    if (tool === "pick") {
      chosen = number;
      spot.x = point.x;
      spot.y = point.y;
      row();
    } else if (tool === "join") {
      if (number) corners.push(place);
      else hint("There is no carbide.");
      if (corners.length === 2) {
        const points = corners;
        corners = [];
        does({ act: "join", points });
      }
    } else if (tool === "cut" || shape() === "rectangle") {
      corners.push(place);
      if (corners.length === 2) {
        const points = corners;
        corners = [];
        if (tool === "cut") does({ act: "cut", points });
        else closed(box(...points));
      }
    } else {
      const near = (other) => Math.hypot(other[0] - place[0], other[1] - place[1]) * view.scale < 8;
      if (corners.length > 2 && (near(corners[0]) || near(corners[corners.length - 1]))) closed(corners);
      else if (!corners.length || !near(corners[corners.length - 1])) corners.push(place);
    }
    drawn();
  }
  function notCarbide() {
    if (!shown || !shown.data.editable) return;
    const place = chosen ? placeOf(chosen) : rounded(spot);
    does({ act: "not_carbide", points: [place] });
  }
  // A pixel of a carbide.
  function placeOf(number) {
    const i = shown.outlines.labels.indexOf(number);
    return [(i % shown.data.width) + 0.5, Math.floor(i / shown.data.width) + 0.5];
  }
  function step(way) {
    if (!shown) return;
    const { labels, area } = shown.outlines;
    const first = new Map();
    for (let i = 0; i < labels.length; i += 1) if (labels[i] && !first.has(labels[i])) first.set(labels[i], i);
    const order = [...first.keys()];
    if (!order.length) return;
    const now = order.indexOf(chosen);
    chosen = order[(now + way + order.length + (now < 0 && way < 0 ? 1 : 0)) % order.length];
    if (!area[chosen]) return;
    [spot.x, spot.y] = placeOf(chosen);
    spot.shown = true;
    intoSight();
    row();
    drawn();
  }
  function row() {
    const into = element("row");
    if (!chosen || !shown) {
      into.replaceChildren();
      return;
    }
    const { outlines, data } = shown;
    const list = document.createElement("dl");
    const add = (name, value) => {
      const line = document.createElement("div");
      const term = document.createElement("dt");
      const text = document.createElement("dd");
      term.textContent = name;
      text.textContent = value;
      line.append(term, text);
      list.append(line);
    };
    add("carbide", String(chosen) + (outlines.byHand[chosen] ? ", by hand" : ""));
    if (data.classes.length) add("class", data.classes[outlines.kind[chosen]] || "");
    add("area", (outlines.area[chosen] * data.um_per_px ** 2).toPrecision(4) + " µm²");
    const known = outlines.byHand[chosen] ? null : data.rows[chosen - 1];
    if (known) data.row_names.forEach((name, i) => { if (known[i] !== null && known[i] !== "") add(name, String(known[i])); });
    into.replaceChildren(list);
  }
  function accept() {
    if (!shown) return;
    does({ act: "accept" });
    const next = fields.findIndex((_, index) => index > state.at && !verdict(index));
    if (next >= 0) open(next);
  }
  function reject() {
    if (!shown) return;
    element("why").hidden = false;
    element("reason").value = "";
    element("reason").focus();
  }

  // ---- drawing -----------------------------------------------------------
  function overlay() {
    const { width, height } = shown.data;
    const { labels, excluded, kind } = shown.outlines;
    const picture = new ImageData(width, height);
    const pixels = new Uint32Array(picture.data.buffer);
    const colours = shown.data.colours.map(([r, g, b]) => (255 << 24) | (b << 16) | (g << 8) | r);
    for (let y = 0, i = 0; y < height; y += 1) {
      for (let x = 0; x < width; x += 1, i += 1) {
        const own = labels[i];
        if (own) {
          if ((x && labels[i - 1] !== own) || (x + 1 < width && labels[i + 1] !== own) || (y && labels[i - width] !== own) || (y + 1 < height && labels[i + width] !== own)) {
            pixels[i] = colours[kind[own]] || colours[0];
          }
        } else if (excluded[i] && ((x + y) & 7) < 2) {
          pixels[i] = 0xb0ffffff;
        }
      }
    }
    const layer = document.createElement("canvas");
    layer.width = width;
    layer.height = height;
    layer.getContext("2d").putImageData(picture, 0, 0);
    shown.overlay = layer;
  }
  function fit() {
    if (!shown) return;
    const { width, height } = shown.data;
    view.scale = Math.min(canvas.clientWidth / width, canvas.clientHeight / height);
    view.left = (canvas.clientWidth - width * view.scale) / 2;
    view.top = (canvas.clientHeight - height * view.scale) / 2;
    drawn();
  }
  function magnify(factor, x = canvas.clientWidth / 2, y = canvas.clientHeight / 2) {
    if (!shown) return;
    const least = 0.5 * Math.min(canvas.clientWidth / shown.data.width, canvas.clientHeight / shown.data.height);
    const scale = Math.max(least, Math.min(40, view.scale * factor));
    view.left = x - (x - view.left) * (scale / view.scale);
    view.top = y - (y - view.top) * (scale / view.scale);
    view.scale = scale;
    drawn();
  }
  function intoSight() {
    const margin = 30;
    const x = view.left + spot.x * view.scale;
    const y = view.top + spot.y * view.scale;
    if (x < margin || x > canvas.clientWidth - margin) view.left += canvas.clientWidth / 2 - x;
    if (y < margin || y > canvas.clientHeight - margin) view.top += canvas.clientHeight / 2 - y;
  }
  let asked = false;
  function drawn() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      if (shown) paint();
    });
  }
  function paint() {
    const density = window.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    canvas.width = Math.round(width * density);
    canvas.height = Math.round(height * density);
    Object.assign(canvas.dataset, { scale: view.scale, left: view.left, top: view.top, field: String(state.at) });
    const pen = canvas.getContext("2d");
    pen.setTransform(density * view.scale, 0, 0, density * view.scale, density * view.left, density * view.top);
    pen.imageSmoothingEnabled = view.scale < NEAR;
    pen.drawImage(shown.image, 0, 0, shown.data.width, shown.data.height);
    if (withOutlines) {
      if (view.scale < NEAR) pen.drawImage(shown.overlay, 0, 0);
      else borders(pen, 0);
    }
    if (chosen) borders(pen, chosen);
    marks(pen);
  }
  // Lines between pixels of different carbides, within sight; of one carbide where `only` names it.
  function borders(pen, only) {
    const { width, height } = shown.data;
    const { labels, excluded, kind } = shown.outlines;
    const x1 = Math.max(0, Math.floor(-view.left / view.scale));
    const y1 = Math.max(0, Math.floor(-view.top / view.scale));
    const x2 = Math.min(width, Math.ceil((canvas.clientWidth - view.left) / view.scale));
    const y2 = Math.min(height, Math.ceil((canvas.clientHeight - view.top) / view.scale));
    const paths = shown.data.colours.map(() => new Path2D());
    const hatch = new Path2D();
    const pathOf = (own) => paths[only ? 0 : kind[own]] || paths[0];
    for (let y = y1; y < y2; y += 1) {
      for (let x = x1; x < x2; x += 1) {
        const i = y * width + x;
        const own = labels[i];
        if (only ? own !== only : !own) {
          if (!only && excluded[i] && view.scale >= NEAR) {
            hatch.moveTo(x, y + 1);
            hatch.lineTo(x + 1, y);
          }
          continue;
        }
        const path = pathOf(own);
        if (!x || labels[i - 1] !== own) { path.moveTo(x, y); path.lineTo(x, y + 1); }
        if (x + 1 === width || labels[i + 1] !== own) { path.moveTo(x + 1, y); path.lineTo(x + 1, y + 1); }
        if (!y || labels[i - width] !== own) { path.moveTo(x, y); path.lineTo(x + 1, y); }
        if (y + 1 === height || labels[i + width] !== own) { path.moveTo(x, y + 1); path.lineTo(x + 1, y + 1); }
      }
    }
    if (only) {
      stroke(pen, paths[0], "#000", 4.5);
      stroke(pen, paths[0], "#fff", 2);
      return;
    }
    stroke(pen, hatch, "rgba(255,255,255,0.6)", 1);
    paths.forEach((path, k) => stroke(pen, path, "rgb(" + shown.data.colours[k].join(",") + ")", 1.8));
  }
  function stroke(pen, path, colour, thickness) {
    pen.strokeStyle = colour;
    pen.lineWidth = thickness / view.scale;
    pen.stroke(path);
  }
  function marks(pen) {
    if (corners.length) {
      const path = new Path2D();
      const points = pulled && shape() === "rectangle" && tool !== "cut" && tool !== "join" ? box(corners[0], corners[corners.length - 1]) : corners;
      points.forEach(([x, y], i) => (i ? path.lineTo(x, y) : path.moveTo(x, y)));
      if (points !== corners) path.closePath();
      if (spot.shown && !pulled && tool !== "join") path.lineTo(spot.x, spot.y);
      for (const [x, y] of pulled ? [] : corners) {
        const r = 3 / view.scale;
        path.rect(x - r, y - r, 2 * r, 2 * r);
      }
      stroke(pen, path, "#000", 4);
      stroke(pen, path, "#ffe66b", 2);
    }
    if (spot.shown) {
      const path = new Path2D();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        path.moveTo(spot.x + (dx * 4) / view.scale, spot.y + (dy * 4) / view.scale);
        path.lineTo(spot.x + (dx * 12) / view.scale, spot.y + (dy * 12) / view.scale);
      }
      stroke(pen, path, "#000", 3.5);
      stroke(pen, path, "#fff", 1.5);
    }
    element("spot").textContent = spot.shown ? "x " + spot.x.toFixed(1) + ", y " + spot.y.toFixed(1) + " px" : "";
  }

  // ---- hands -------------------------------------------------------------
  const pointers = new Map();
  let pulled = null; // a drag that draws or moves
  const where = (event) => {
    const frame = canvas.getBoundingClientRect();
    return { sx: event.clientX - frame.left, sy: event.clientY - frame.top };
  };
  const inPicture = ({ sx, sy }) => ({ x: (sx - view.left) / view.scale, y: (sy - view.top) / view.scale });
  function moves() {
    return tool === "pick" || tool === "join" || held || (pulled && pulled.middle);
  }
  canvas.addEventListener("pointerdown", (event) => {
    if (!shown) return;
    canvas.setPointerCapture(event.pointerId);
    canvas.focus({ preventScroll: true });
    const place = where(event);
    pointers.set(event.pointerId, place);
    if (pointers.size > 1) {
      if (pulled && pulled.drawing) corners = [];
      pulled = { two: true };
      return;
    }
    pulled = { from: place, last: place, far: false, drawing: false, middle: event.button === 1 };
    event.preventDefault();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!shown) return;
    const place = where(event);
    if (!pointers.has(event.pointerId)) {
      Object.assign(spot, inPicture(place), { shown: true });
      drawn();
      return;
    }
    const before = pointers.get(event.pointerId);
    pointers.set(event.pointerId, place);
    if (pulled.two) pinch(event.pointerId, before, place);
    else drag(place);
    drawn();
  });
  function pinch(id, before, place) {
    const other = [...pointers].find(([name]) => name !== id);
    if (!other) return;
    const [, still] = other;
    const span = (a) => Math.hypot(a.sx - still.sx, a.sy - still.sy);
    view.left += (place.sx - before.sx) / 2;
    view.top += (place.sy - before.sy) / 2;
    if (span(before) > 10) magnify(span(place) / span(before), (place.sx + still.sx) / 2, (place.sy + still.sy) / 2);
  }
  function drag(place) {
    if (!pulled.far && Math.hypot(place.sx - pulled.from.sx, place.sy - pulled.from.sy) < DRAG) return;
    if (!pulled.far) {
      pulled.far = true;
      pulled.drawing = !moves() && (tool === "cut" || shape() !== "polygon");
      if (pulled.drawing) corners = [rounded(inPicture(pulled.from))];
    }
    if (pulled.drawing) {
      const point = rounded(inPicture(place));
      const last = corners[corners.length - 1];
      if (shape() === "rectangle" && tool !== "cut") corners = [corners[0], point];
      else if (corners.length < 9000 && Math.hypot(point[0] - last[0], point[1] - last[1]) * view.scale > 2) corners.push(point);
    } else {
      view.left += place.sx - pulled.last.sx;
      view.top += place.sy - pulled.last.sy;
    }
    pulled.last = place;
  }
  function released(event) {
    if (!pointers.delete(event.pointerId) || !pulled) return;
    const done = pulled;
    if (!pointers.size) pulled = null;
    if (done.two || event.type === "pointercancel") {
      if (done.drawing) corners = [];
    } else if (!done.far) {
      if (done.middle) return;
      at(inPicture(where(event)));
    } else if (done.drawing) {
      const points = corners;
      corners = [];
      if (tool === "cut") does({ act: "cut", points });
      else if (shape() === "rectangle") closed(box(points[0], points[points.length - 1]));
      else if (points.length > 2) closed(points);
    }
    drawn();
  }
  canvas.addEventListener("pointerup", released);
  canvas.addEventListener("pointercancel", released);
  canvas.addEventListener("pointerleave", () => {
    if (!pointers.size && document.activeElement !== canvas) spot.shown = false;
    drawn();
  });
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    const place = where(event);
    magnify(Math.exp(-event.deltaY * 0.0015), place.sx, place.sy);
  }, { passive: false });

  function moved(dx, dy, event) {
    if (!shown) return;
    const far = event.shiftKey ? 10 : 1;
    spot.x = Math.max(0, Math.min(shown.data.width, spot.x + far * dx));
    spot.y = Math.max(0, Math.min(shown.data.height, spot.y + far * dy));
    spot.shown = true;
    intoSight();
    drawn();
  }
  function outlinesShown() {
    withOutlines = !withOutlines;
    element("outlines").setAttribute("aria-pressed", String(withOutlines));
    drawn();
  }
  function turn(way) {
    const next = state.at + way;
    if (next >= 0 && next < fields.length) open(next);
  }
  function nextClass() {
    const select = element("class");
    if (select.options.length) select.selectedIndex = (select.selectedIndex + 1) % select.options.length;
  }
  const choose = (name) => () => {
    document.querySelector('input[name="shape"][value="' + name + '"]').checked = true;
    corners = [];
    drawn();
  };
  function entered() {
    if (tool !== "pick" && corners.length > 2 && shape() === "polygon") {
      const [x, y] = corners[corners.length - 1];
      if (Math.hypot(x - spot.x, y - spot.y) * view.scale < 8) {
        closed(corners);
        return;
      }
    }
    at(spot);
  }
  const hands = {
    o: outlinesShown, x: notCarbide, c: () => use("cut"), j: () => use("join"), d: () => use("draw"), l: () => use("leave_out"),
    escape: () => use("pick"), z: undo, y: redo, a: accept, r: reject, n: () => turn(1), p: () => turn(-1), s: save, k: nextClass,
    "+": () => magnify(1.4), "=": () => magnify(1.4), "-": () => magnify(1 / 1.4), 0: fit, 1: choose("rectangle"), 2: choose("polygon"),
    3: choose("freehand"), ".": () => step(1), ",": () => step(-1), enter: entered,
    backspace: () => { corners.pop(); drawn(); },
    arrowleft: (e) => moved(-1, 0, e), arrowright: (e) => moved(1, 0, e), arrowup: (e) => moved(0, -1, e), arrowdown: (e) => moved(0, 1, e),
  };
  document.addEventListener("keydown", (event) => {
    if (element("work").hidden || (event.target instanceof HTMLInputElement && event.target.type !== "radio") || event.target instanceof HTMLSelectElement) return;
    const pressed = event.key.toLowerCase();
    if (event.ctrlKey || event.metaKey) {
      if (pressed === "z" || pressed === "y") {
        event.preventDefault();
        if (pressed === "y" || event.shiftKey) redo();
        else undo();
      }
      return;
    }
    if (event.altKey) return;
    if (pressed === " ") {
      held = true;
      if (event.target === canvas) event.preventDefault();
      return;
    }
    if (pressed === "enter" && event.target instanceof HTMLButtonElement) return;
    if (Object.hasOwn(hands, pressed)) {
      event.preventDefault();
      hands[pressed](event);
    }
  });
  document.addEventListener("keyup", (event) => { if (event.key === " ") held = false; });
  const buttons = {
    outlines: outlinesShown, less: () => magnify(1 / 1.4), more: () => magnify(1.4), whole: fit, pick: () => use("pick"), not_carbide: notCarbide,
    cut: () => use("cut"), join: () => use("join"), draw: () => use("draw"), leave_out: () => use("leave_out"), undo, redo, accept, reject,
    previous: () => turn(-1), next: () => turn(1), save,
  };
  for (const [id, hand] of Object.entries(buttons)) {
    element(id).addEventListener("click", () => {
      hand();
      if (id !== "reject") canvas.focus({ preventScroll: true });
    });
  }
  element("why").addEventListener("submit", (event) => {
    event.preventDefault();
    element("why").hidden = true;
    does({ act: "reject", reason: element("reason").value.trim() });
    canvas.focus({ preventScroll: true });
  });
  element("reason").addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      element("why").hidden = true;
      canvas.focus({ preventScroll: true });
    }
  });

  // ---- saving ------------------------------------------------------------
  function content() {
    return {
      format: manifest.format,
      version: manifest.version,
      who: state.who,
      saved: new Date().toISOString(),
      fields: fields.flatMap((field, index) => (state.acts[index].done.length ? [{
        specimen: field.specimen, field: field.field, image_sha256: field.image_sha256, outlines_sha256: field.outlines_sha256,
        acts: state.acts[index].done,
      }] : [])),
    };
  }
  function save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([JSON.stringify(content(), null, 1) + "\n"], { type: "application/json" }));
    link.download = "review.json";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    state.saved = state.number;
    keep();
    notice(number(made(), "act") + " saved as review.json, where the browser puts its downloads. Put it beside the study file, and name it there: review = [\"review.json\"].");
  }
  element("file").addEventListener("change", async (event) => {
    const file = event.target.files[0];
    if (!file) return;
    try {
      const saved = JSON.parse(await file.text());
      if (saved.format !== manifest.format || saved.version > manifest.version) throw new Error();
      let met = 0;
      let other = 0;
      for (const one of saved.fields) {
        const index = fields.findIndex((f) => ["specimen", "field", "image_sha256", "outlines_sha256"].every((name) => f[name] === one[name]));
        if (index < 0 || !Array.isArray(one.acts)) other += 1;
        else {
          state.acts[index] = { done: one.acts, undone: [] };
          met += 1;
        }
      }
      element("initials").value = element("initials").value || saved.who;
      state.number += 1;
      keep();
      notice("Acts on " + met + " fields taken up" + (other ? "; " + other + " fields are of other pictures or outlines and are left." : "."));
    } catch {
      notice("That file is no review that this page can read.");
    }
  });
  element("who").addEventListener("submit", (event) => {
    event.preventDefault();
    const who = element("initials").value.trim();
    if (!who || !fields.length) return;
    state.who = who;
    element("start").hidden = true;
    element("work").hidden = false;
    open(Math.min(state.at, fields.length - 1));
    canvas.focus({ preventScroll: true });
  });
  window.addEventListener("resize", fit);
  window.addEventListener("beforeunload", (event) => {
    if (state.number > state.saved && !lasting) event.preventDefault();
  });
  if (recall()) element("earlier").textContent = "Kept in this browser: " + number(made(), "act") + ". Start goes on.";
  element("initials").value = state.who;
  element("initials").focus();
})();

(() => {
  const element = (id) => document.getElementById(id);
  const sheet = JSON.parse(element("manifest").textContent);
  const first = [];
  let total = 0;
  for (const field of sheet.fields) {
    first.push(total);
    total += field.x_px.length;
  }
  const codes = { in: "i", boundary: "b", out: "o" };
  const words = { i: "in", b: "boundary", o: "out" };
  const zooms = [2, 3, 4, 6, 8, 12, 16];
  const longestPause = 30;
  const state = { counter: "", verdicts: [], seconds: 0 };
  let zoom = 4;
  let since = 0;
  let saved = 0;
  let shown = { field: -1 };
  const nearCanvas = element("near");
  const wholeCanvas = element("whole");

  // ---- keeping the count -------------------------------------------------
  const key = (counter) => "micro-points/" + sheet.sheet + "/" + counter;
  let lasting = true;
  function keep() {
    kept.write(key(""), state.counter);
    lasting = kept.write(key(state.counter), [state.verdicts.join(","), state.seconds, saved]);
    if (!lasting)
      notice("This browser keeps nothing for pages opened from disk: save the CSV before you close or reload.");
  }
  function recall(counter) {
    const found = kept.read(key(counter));
    const whole = Array.isArray(found) && typeof found[0] === "string";
    const verdicts = whole ? found[0].split(",").filter((v) => /^([ib]\d+|o)$/.test(v)).slice(0, total) : [];
    return { verdicts, seconds: whole ? Number(found[1]) || 0 : 0, saved: whole ? Number(found[2]) || 0 : 0 };
  }
  function notice(text) {
    element("notice").textContent = text;
    element("notice").hidden = false;
  }

  // ---- which point -------------------------------------------------------
  function place(number) {
    let field = 0;
    while (field + 1 < first.length && first[field + 1] <= number) field += 1;
    return { field, point: number - first[field] };
  }
  function chosenClass() {
    const chosen = document.querySelector('input[name="class"]:checked');
    return chosen ? Number(chosen.value) : 0;
  }
  function addPause() {
    const now = performance.now();
    state.seconds += Math.min((now - since) / 1000, longestPause);
    since = now;
  }
  function judge(word) {
    if (element("count").hidden || shown.field < 0) return;
    addPause();
    state.verdicts.push(codes[word] + (word === "out" ? "" : chosenClass()));
    keep();
    show();
  }
  function undo() {
    if (element("start").hidden === false || state.verdicts.length === 0) return;
    addPause();
    state.verdicts.pop();
    keep();
    show();
  }

  // ---- showing it --------------------------------------------------------
  function open(id) {
    for (const part of ["start", "count", "end"]) element(part).hidden = part !== id;
  }
  function clock() {
    const seconds = Math.floor(state.seconds + (state.counter ? Math.min((performance.now() - since) / 1000, longestPause) : 0));
    return Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0");
  }
  function load(id) {
    const image = new Image();
    image.src = "data:image/jpeg;base64," + element(id).textContent;
    return image.decode().then(() => image);
  }
  async function show() {
    const done = state.verdicts.length;
    if (done >= total) {
      open("end");
      element("spent").textContent = total + " points in " + clock() + " minutes.";
      element("end-title").focus();
      return;
    }
    open("count");
    const at = place(done);
    element("where").textContent =
      "Field " + (at.field + 1) + " of " + sheet.fields.length + ", point " + (at.point + 1) + " of " + sheet.fields[at.field].x_px.length;
    element("progress").value = done / total;
    element("undo").disabled = done === 0;
    if (shown.field !== at.field) {
      shown = { field: -1, wanted: at.field };
      element("count").setAttribute("aria-busy", "true");
      try {
        const [overview, details] = await Promise.all([load("overview-" + at.field), load("details-" + at.field)]);
        if (shown.wanted !== at.field || shown.field >= 0) return;
        shown = { field: at.field, overview, details };
      } catch {
        notice("The picture of field " + (at.field + 1) + " cannot be shown; make the sheet again.");
        return;
      }
    }
    draw(place(state.verdicts.length).point);
    element("count").setAttribute("aria-busy", "false");
  }
  function fit(canvas, ratio) {
    const density = window.devicePixelRatio || 1;
    const width = canvas.clientWidth || 300;
    const height = ratio ? width * ratio : canvas.clientHeight || width;
    if (ratio) canvas.style.height = height + "px";
    canvas.width = Math.round(width * density);
    canvas.height = Math.round(height * density);
    const pen = canvas.getContext("2d");
    pen.scale(density, density);
    return { pen, width, height };
  }
  function cross(pen, x, y, gap, reach, core) {
    for (const [colour, thickness] of [["rgba(0,0,0,0.85)", core + 2], ["#fff6a0", core]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = thickness;
      pen.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        pen.moveTo(x + dx * gap, y + dy * gap);
        pen.lineTo(x + dx * reach, y + dy * reach);
      }
      pen.stroke();
    }
  }
  function draw(point) {
    const field = sheet.fields[shown.field];
    drawNear(field, point);
    drawWhole(field, point);
    element("zoom").textContent = zoom + "×";
  }
  // Beneath lies the reduced picture for the surroundings; on top, the true pixels about the point.
  function drawNear(field, point) {
    const { pen, width, height } = fit(nearCanvas);
    const x = field.x_px[point];
    const y = field.y_px[point];
    const left = (from) => width / 2 + (from - x) * zoom;
    const top = (from) => height / 2 + (from - y) * zoom;
    const size = sheet.detail_px;
    pen.save();
    pen.beginPath();
    pen.rect(left(0), top(0), field.width_px * zoom, field.height_px * zoom);
    pen.clip();
    pen.drawImage(shown.overview, left(0), top(0), field.width_px * zoom, field.height_px * zoom);
    pen.imageSmoothingEnabled = false;
    pen.drawImage(
      shown.details,
      (point % field.grid_columns) * size, Math.floor(point / field.grid_columns) * size, size, size,
      left(Math.floor(x) - size / 2), top(Math.floor(y) - size / 2), size * zoom, size * zoom
    );
    pen.restore();
    const gap = Math.max(7, 0.9 * zoom);
    cross(pen, width / 2, height / 2, gap, gap + 34, 2);
  }
  function drawWhole(field, point) {
    const { pen, width } = fit(wholeCanvas, field.height_px / field.width_px);
    const scale = width / field.width_px;
    pen.drawImage(shown.overview, 0, 0, width, field.height_px * scale);
    field.x_px.forEach((x, i) => {
      pen.globalAlpha = i < point ? 0.35 : 1;
      cross(pen, x * scale, field.y_px[i] * scale, 2, 6, 1.4);
    });
    pen.globalAlpha = 1;
    for (const [colour, thickness] of [["rgba(0,0,0,0.75)", 4.5], ["#fff6a0", 2]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = thickness;
      pen.beginPath();
      pen.arc(field.x_px[point] * scale, field.y_px[point] * scale, 11, 0, 2 * Math.PI);
      pen.stroke();
    }
  }
  function magnify(step) {
    zoom = zooms[Math.max(0, Math.min(zooms.length - 1, zooms.indexOf(zoom) + step))];
    if (shown.field >= 0 && !element("count").hidden) draw(place(state.verdicts.length).point);
  }

  // ---- saving it ---------------------------------------------------------
  function cell(value) {
    let text = String(value);
    if (/^'*[=+\-@\t]/.test(text) && typeof value !== "number") text = "'" + text;
    return /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
  }
  function table() {
    const lines = [sheet.columns.join(",")];
    state.verdicts.forEach((verdict, number) => {
      const { field: f, point } = place(number);
      const field = sheet.fields[f];
      const row = {
        sheet: sheet.sheet,
        specimen: field.specimen,
        field: field.field,
        image_sha256: field.image_sha256,
        grid_points: field.x_px.length,
        point: point + 1,
        x_px: field.x_px[point],
        y_px: field.y_px[point],
        density: field.density ? field.density[point] : 1,
        verdict: words[verdict[0]],
        carbide_class: verdict === "o" ? "" : sheet.classes[Number(verdict.slice(1))] || "",
        counter: state.counter,
      };
      lines.push(sheet.columns.map((name) => cell(row[name])).join(","));
    });
    return lines.join("\r\n") + "\r\n";
  }
  function save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([table()], { type: "text/csv" }));
    link.download = "tally-" + sheet.sheet + "-" + state.counter.replace(/[^\p{L}\p{N}]+/gu, "_") + ".csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
    saved = state.verdicts.length;
    keep();
    notice(saved + " of " + total + " points saved as " + link.download + ", where the browser puts its downloads.");
  }

  // ---- hands -------------------------------------------------------------
  function sayEarlier() {
    const count = recall(element("counter").value.trim()).verdicts.length;
    element("earlier").textContent = count ? count + " of " + total + " points are counted already; Start goes on." : "";
  }
  element("counter").addEventListener("input", sayEarlier);
  element("who").addEventListener("submit", (event) => {
    event.preventDefault();
    const counter = element("counter").value.trim();
    if (!counter) return;
    const earlier = recall(counter);
    state.counter = counter;
    state.verdicts = earlier.verdicts;
    state.seconds = earlier.seconds;
    saved = earlier.saved;
    since = performance.now();
    keep();
    show();
    if (document.activeElement instanceof HTMLElement && state.verdicts.length < total) document.activeElement.blur();
  });
  for (const word of Object.keys(codes)) element(word).addEventListener("click", () => judge(word));
  element("undo").addEventListener("click", undo);
  element("undo-end").addEventListener("click", undo);
  element("save").addEventListener("click", save);
  element("save-end").addEventListener("click", save);
  element("more").addEventListener("click", () => magnify(1));
  element("less").addEventListener("click", () => magnify(-1));
  const hands = {
    i: () => judge("in"), b: () => judge("boundary"), o: () => judge("out"), u: undo, backspace: undo,
    "+": () => magnify(1), "=": () => magnify(1), "-": () => magnify(-1),
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || element("start").hidden === false) return;
    const pressed = event.key.toLowerCase();
    const radio = document.querySelectorAll('input[name="class"]')[Number(pressed) - 1];
    if (/^[1-9]$/.test(pressed) && radio) {
      radio.checked = true;
    } else if (Object.hasOwn(hands, pressed) && !(event.repeat && pressed !== "+" && pressed !== "-")) {
      event.preventDefault();
      hands[pressed]();
    }
  });
  window.addEventListener("resize", () => {
    if (shown.field >= 0 && !element("count").hidden) draw(place(state.verdicts.length).point);
  });
  window.addEventListener("beforeunload", (event) => {
    if (!lasting && state.verdicts.length > saved) event.preventDefault();
  });
  setInterval(() => {
    if (!element("count").hidden) element("time").textContent = clock();
  }, 1000);
  const last = kept.read(key(""));
  if (typeof last === "string") element("counter").value = last;
  sayEarlier();
  element("counter").focus();
})();

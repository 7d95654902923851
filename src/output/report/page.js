"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const $ = (id) => document.getElementById(id);
  const svg = $("trace"), scrub = $("scrub"), sound = $("sound");
  const table = $("notes"), rows = [...table.tBodies[0].rows];
  const whole = data.to_s - data.from_s;
  const left = 48, top = 18, bottom = 22, shortest = 0.5;
  let from = data.from_s, span = whole, chosen = -1;

  // The trace: redrawn for the part in view, so that labels stay readable.
  const size = () => [svg.clientWidth || 900, svg.clientHeight || 300];
  const x = (time) => left + (time - from) / span * (size()[0] - left - 8);
  const y = (pitch) => top + (data.high - pitch) / (data.high - data.low) * (size()[1] - top - bottom);
  const element = (name, attributes, text) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const key in attributes) made.setAttribute(key, attributes[key]);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const cursor = element("line", { class: "cursor" });
  const clock = (time) => `${Math.floor(time / 60)}:${(time % 60).toFixed(span < 20 ? 1 : 0).padStart(span < 20 ? 4 : 2, "0")}`;

  function draw() {
    const [width, height] = size();
    const parts = [];
    let free = Infinity;
    for (const [pitch, name] of data.lines) {
      const at = y(pitch);
      parts.push(element("line", { class: "rail", x1: left, x2: width - 8, y1: at, y2: at }));
      if (at < free) {
        free = at - 11;
        parts.push(element("text", { x: left - 6, y: at + 4, "text-anchor": "end" }, name));
      }
    }
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600].find((s) => s / span * width > 60) || 1200;
    for (let t = Math.ceil(from / step) * step; t <= from + span; t += step)
      parts.push(element("text", { x: x(t), y: height - 6, "text-anchor": "middle" }, clock(t)));
    const taken = [], labels = [];
    data.notes.forEach((note, i) => {
      if (note.off < from || note.on > from + span) return;
      const aim = y(note.aim), [x1, x2] = [Math.max(x(note.on), left), Math.min(x(note.off), width - 8)];
      if (i === chosen)
        parts.push(element("rect", { class: "chosen", x: x1, width: Math.max(x2 - x1, 2), y: top, height: height - top - bottom }));
      parts.push(element("line", { class: "aim", x1, x2, y1: aim, y2: aim }));
      // No more than two points a pixel.
      const every = Math.max(1, Math.floor(span / width / note.step / 2));
      let path = "", pen = "M";
      for (let k = 0; k < note.trace.length; k += every) {
        const time = note.t + k * note.step, cents = note.trace[k];
        if (cents === null || time < from || time > from + span) { pen = "M"; continue; }
        path += `${pen}${x(time).toFixed(1)} ${y(note.aim + cents / 100).toFixed(1)}`;
        pen = "L";
      }
      const line = element("path", { class: note.tune, d: path, "data-note": i });
      line.append(element("title", {}, `${note.name} ${signed(note.cents)} cents, ${note.how}`));
      parts.push(line);
      taken.push([x1, x2, aim - 2, aim + 2]);
      if (note.on >= from) labels.push([`${note.name} ${signed(note.cents)}`, x1, x2, aim]);
    });
    // Every note is labelled where there is room: above or below, farther off or shifted.
    for (const [text, x1, x2, aim] of labels) {
      const long = text.length * 6.4;
      const box = ([at, line]) => [at, at + long, line - 9, line + 1];
      const free = (b) => !taken.some((t) => b[0] < t[1] && t[0] < b[1] && b[2] < t[3] && t[2] < b[3]);
      const place = [aim - 8, aim + 14, aim - 20, aim + 26]
        .flatMap((line) => [x1, x2 - long, x1 - long].map((at) => [at, line]))
        .filter(([at, line]) => at >= left - 2 && at + long <= width && line >= 10 && line <= height - bottom + 2)
        .find((at) => free(box(at)));
      if (!place) continue;
      taken.push(box(place));
      parts.push(element("text", { class: "label", x: place[0], y: place[1] }, text));
    }
    svg.replaceChildren(...parts, cursor);
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    scrub.value = whole > span ? 1000 * (from - data.from_s) / (whole - span) : 0;
    scrub.disabled = whole <= span;
    $("where").textContent = `${clock(from)} to ${clock(from + span)}`;
    scrub.setAttribute("aria-valuetext", $("where").textContent);
    follow();
  }
  // To a tenth, as everywhere: the data is rounded already.
  const signed = (cents) => (cents < 0 ? "-" : "+") + Math.abs(cents).toFixed(1);
  let asked = false;
  function view(start, length) {
    span = Math.min(Math.max(length, shortest), whole);
    from = Math.min(Math.max(start, data.from_s), data.to_s - span);
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; draw(); });
  }
  const zoom = (factor, at = from + span / 2) => {
    const length = Math.min(Math.max(span * factor, shortest), whole);
    view(at - (at - from) * length / span, length);
  };
  const timeAt = (event) => from + (event.offsetX - left) / (size()[0] - left - 8) * span;

  $("in").onclick = () => zoom(0.5);
  $("out").onclick = () => zoom(2);
  $("all").onclick = () => view(data.from_s, whole);
  scrub.oninput = () => view(data.from_s + scrub.value / 1000 * (whole - span), span);
  svg.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    zoom(Math.exp(event.deltaY / 300), timeAt(event));
  }, { passive: false });
  let drag = null;
  svg.onpointerdown = (event) => { drag = { at: event.clientX, from, moved: false }; };
  svg.onpointermove = (event) => {
    if (!drag) return;
    const moved = event.clientX - drag.at;
    if (Math.abs(moved) > 3 && !drag.moved) { drag.moved = true; svg.setPointerCapture(event.pointerId); }
    if (drag.moved) view(drag.from - moved / (size()[0] - left - 8) * span, span);
  };
  svg.onpointerup = (event) => {
    if (drag && !drag.moved) {
      const time = timeAt(event);
      const at = data.notes.findIndex((n) => n.on <= time && time <= n.off);
      if (at >= 0) choose(at, false);
    }
    drag = null;
  };
  svg.onpointercancel = () => { drag = null; };
  svg.onkeydown = (event) => {
    const moves = {
      ArrowLeft: () => view(from - span / 8, span), ArrowRight: () => view(from + span / 8, span),
      "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), 0: () => view(data.from_s, whole),
    };
    if (!moves[event.key]) return;
    moves[event.key]();
    event.preventDefault();
  };

  // A note chosen in the table or the trace is chosen in both.
  function choose(i, fromTable) {
    chosen = i;
    for (const row of rows) row.setAttribute("aria-selected", Number(row.dataset.note) === i);
    const note = data.notes[i];
    if (fromTable && (note.on < from || note.off > from + span || note.off - note.on < span / 40))
      view(note.on - 1, Math.max(3, note.off - note.on + 2));
    if (!fromTable) rows.find((row) => Number(row.dataset.note) === i).scrollIntoView({ block: "nearest" });
    if (sound) sound.currentTime = Math.max(note.on - data.sound_s, 0);
    view(from, span);
  }
  for (const row of rows) {
    row.tabIndex = 0;
    row.onclick = () => choose(Number(row.dataset.note), true);
    row.onkeydown = (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      choose(Number(row.dataset.note), true);
    };
  }

  // Sorting by any column.
  const headings = [...table.tHead.rows[0].cells];
  const value = (row, column) => {
    const cell = row.cells[column];
    const text = cell.dataset.by || cell.textContent;
    const number = Number(text);
    return Number.isNaN(number) ? text : number;
  };
  headings.forEach((heading, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = heading.textContent;
    heading.replaceChildren(button);
    button.onclick = () => {
      const down = heading.getAttribute("aria-sort") === "ascending";
      for (const other of headings) other.removeAttribute("aria-sort");
      heading.setAttribute("aria-sort", down ? "descending" : "ascending");
      rows.sort((a, b) => {
        const [p, q] = [value(a, column), value(b, column)];
        const order = p < q ? -1 : p > q ? 1 : Number(a.dataset.note) - Number(b.dataset.note);
        return down ? -order : order;
      });
      table.tBodies[0].append(...rows);
    };
  });

  // The cursor goes with the sound.
  function follow() {
    const time = sound ? sound.currentTime + data.sound_s : -1;
    const seen = sound && time >= from && time <= from + span;
    cursor.setAttribute("visibility", seen ? "visible" : "hidden");
    if (!seen) return;
    const at = x(time);
    for (const key of ["x1", "x2"]) cursor.setAttribute(key, at);
    cursor.setAttribute("y1", top);
    cursor.setAttribute("y2", size()[1] - bottom);
  }
  if (sound) {
    const run = () => {
      const time = sound.currentTime + data.sound_s;
      if (!sound.paused && (time > from + span || time < from)) view(time - span / 10, span);
      follow();
      if (!sound.paused) requestAnimationFrame(run);
    };
    sound.onplay = run;
    sound.onseeked = run;
  }

  $("live").hidden = false;
  // The rows stay where spectrograms stand under them.
  $("still").hidden = !$("still").querySelector(".spectrum");
  addEventListener("resize", draw);
  draw();
})();

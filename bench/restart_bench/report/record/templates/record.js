"use strict";
// Selecting, zooming and moving in the timing diagrams. What is drawn, how and in which words comes from `drawing.py`, as
// data in the page; here times are filled in, and what depends on the part in view is laid out. Texts go in as text,
// never as markup.
(() => {
  const g = JSON.parse(document.getElementById("geometry").textContent);
  const PLOT = g.right - g.left;
  const SVG = "http://www.w3.org/2000/svg";
  const LEAST = 0.05; // milliseconds: what the closest view spans
  const ms = (us) => String(us / 1000);

  function element(name, attributes, text) {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }

  function lanePaths(pieces) {
    const paths = Object.fromEntries(g.paths.map((kind) => [kind, ""]));
    for (const [code, low, high] of pieces)
      for (const [kind, shape] of g.shapes[code])
        paths[kind] += shape.replaceAll("a", ms(low)).replaceAll("b", ms(high));
    return paths;
  }

  function tickText(instantMs, [, unit, size, decimals]) {
    const text = Math.abs(instantMs / size).toFixed(decimals);
    return `${instantMs < 0 && Number(text) !== 0 ? "−" : ""}${text} ${unit}`;
  }

  function ticks([first, last]) {
    const scale = PLOT / (last - first);
    const form = g.steps.find(([step]) => step * scale >= g.tickRoom) ?? g.steps.at(-1);
    const step = form[0];
    const placed = [];
    for (let n = Math.ceil(first / step - 1e-9); n <= Math.floor(last / step + 1e-9); n++)
      placed.push({ x: g.left + (n * step - first) * scale, text: tickText(n * step, form) });
    return placed;
  }

  function placeMarks(marks, [first, last], bottom, names) {
    const scale = PLOT / (last - first);
    const ends = g.rows.map(() => 0);
    const placed = [];
    for (const [name, low, high] of [...marks].sort((one, other) => one[1] - other[1])) {
      if (high / 1000 < first || low / 1000 > last) continue;
      const x = g.left + (Math.min(Math.max(low / 1000, first), last) - first) * scale;
      const { text, large, width, rows, rise } = names[name];
      const turned = x + 4 + width > g.width;
      const start = turned ? x - 4 - width : x + 4;
      const hasRoom = rows.filter((one) => start >= ends[one]);
      const row = hasRoom.find((one) => rows.every((below) => below < one || hasRoom.includes(below))) ?? hasRoom[0];
      if (row !== undefined) ends[row] = start + width + g.markGap;
      const y = g.rows[row === undefined ? g.rows.length - 1 : row];
      placed.push({
        name, text, large, y, shown: row !== undefined, x: turned ? x - 4 : x + 4, anchor: turned ? "end" : "start",
        band: `M${ms(low)} ${y - rise}H${ms(high)}V${bottom}H${ms(low)}Z`,
      });
    }
    return placed;
  }

  class Diagram {
    constructor(figure) {
      this.figure = figure;
      this.data = JSON.parse(figure.querySelector(".case-data").textContent);
      this.view = this.data.view;
      this.chosen = this.data.chosen;
      this.panels = figure.querySelector(".panels");
      this.svgs = [...figure.querySelectorAll("svg.panel")];
      this.listen();
      this.drawCycle();
    }

    cycle() { return this.data.cycles[this.chosen]; }

    choose(index) {
      const last = this.data.cycles.length - 1;
      this.chosen = Math.max(0, Math.min(last, index));
      this.drawCycle();
    }

    show(first, last) {
      const [from, to] = this.data.whole;
      const span = Math.max(LEAST, Math.min(to - from, last - first));
      const start = Math.max(from, Math.min(to - span, first));
      this.view = [start, start + span];
      this.drawView();
    }

    zoom(factor, around) {
      const [first, last] = this.view;
      const middle = around ?? (first + last) / 2;
      this.show(middle - (middle - first) * factor, middle + (last - middle) * factor);
    }

    move(share) {
      const [first, last] = this.view;
      const by = (last - first) * share;
      this.show(first + by, last + by);
    }

    do(what) {
      const deeds = {
        previous: () => this.choose(this.chosen - 1), next: () => this.choose(this.chosen + 1),
        in: () => this.zoom(0.5), out: () => this.zoom(2), left: () => this.move(-0.25), right: () => this.move(0.25),
        first: () => this.show(...this.data.view), whole: () => this.show(...this.data.whole),
      };
      deeds[what]();
    }

    drawCycle() {
      const cycle = this.cycle();
      for (const svg of this.svgs)
        for (const group of svg.querySelectorAll(".lane")) {
          const index = Number(group.dataset.lane);
          const paths = lanePaths(cycle.pieces[index]);
          for (const kind of g.paths) group.querySelector(`.p-${kind}`).setAttribute("d", paths[kind]);
        }
      const word = this.figure.querySelector(".chosen-verdict .verdict");
      word.className = `verdict v-${cycle.verdict}`;
      word.querySelector("use").setAttribute("href", `#sign-${cycle.verdict}`);
      word.lastChild.textContent = cycle.verdict;
      this.figure.querySelector(".chosen-text").textContent = `cycle ${cycle.cycle}${cycle.reason ? ": " + cycle.reason : ""}`;
      this.figure.querySelector("select").value = String(this.chosen);
      for (const chip of this.figure.querySelectorAll(".chip"))
        chip.setAttribute("aria-pressed", String(Number(chip.dataset.cycle) === this.chosen));
      this.fillTable(cycle);
      this.drawView();
    }

    fillTable(cycle) {
      const rows = [];
      const time = (us, round) => `${(round(us / 100) / 10000).toFixed(4).replace("-", "−")} s`;
      cycle.pieces.forEach((pieces, index) => {
        const lane = this.data.lanes[index];
        for (const [code, low, high, text] of pieces) {
          const kind = code[0];
          if (kind === "v" || kind === "n") continue;
          const [became] = this.data.texts[text];
          const row = document.createElement("tr");
          for (const text of [lane.label, became, time(low, Math.floor), time(high, Math.ceil), kind === "c" || kind === "w" ? "yes" : "no"]) {
            const cell = document.createElement("td");
            cell.textContent = text;
            row.append(cell);
          }
          rows.push(row);
        }
      });
      this.figure.querySelector(".as-table tbody").replaceChildren(...rows);
    }

    drawView() {
      const [first, last] = this.view;
      const scale = PLOT / (last - first);
      const cycle = this.cycle();
      for (const svg of this.svgs) {
        svg.querySelector(".time").setAttribute("transform", `translate(${(g.left - first * scale).toFixed(4)} 0) scale(${scale.toFixed(8)} 1)`);
        for (const pattern of svg.querySelectorAll(".hatch"))
          pattern.setAttribute("patternTransform", `scale(${(1 / scale).toFixed(8)} 1) rotate(45)`);
        const placed = ticks(this.view);
        svg.querySelector(".grid").replaceChildren(...placed.map(({ x }) => element("path", { d: `M${x.toFixed(2)} ${g.gridFrom}V${svg.dataset.gridTo}` })));
        svg.querySelector(".ticks").replaceChildren(...placed.map(({ x, text }) =>
          element("text", { x: x.toFixed(2), y: svg.dataset.timesAt, "text-anchor": "middle" }, text)));
        this.drawMarks(svg, cycle);
        this.drawValues(svg, cycle, scale);
      }
    }

    drawMarks(svg, cycle) {
      const placed = placeMarks(cycle.marks, this.view, svg.dataset.marksTo, this.data.names);
      for (const kind of ["band", "mark"])
        svg.querySelector(`.${kind}s`).replaceChildren(...placed.map((mark) =>
          element("path", { class: mark.large ? `${kind} large` : kind, "data-mark": mark.name, d: mark.band })));
      svg.querySelector(".mark-names").replaceChildren(...placed.filter((mark) => mark.shown).map((mark) =>
        element("text", { class: mark.large ? "mark-name large" : "mark-name", x: mark.x.toFixed(2), y: mark.y, "text-anchor": mark.anchor }, mark.text)));
    }

    drawValues(svg, cycle, scale) {
      const [first, last] = this.view;
      const texts = [];
      for (const group of svg.querySelectorAll(".lane")) {
        for (const [code, low, high, place] of cycle.pieces[Number(group.dataset.lane)]) {
          if (!g.numbers.includes(code)) continue;
          const left = g.left + (Math.max(low / 1000, first) - first) * scale;
          const right = g.left + (Math.min(high / 1000, last) - first) * scale;
          const [text, width] = this.data.texts[place];
          if (right - left >= width)
            texts.push(element("text", { x: ((left + right) / 2).toFixed(2), y: group.dataset.valuesAt, "text-anchor": "middle" }, text));
        }
      }
      svg.querySelector(".values").replaceChildren(...texts);
    }

    instantAt(event) { // milliseconds on the time axis under the pointer
      const box = this.svgs[0].getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * g.width;
      const [first, last] = this.view;
      return first + ((x - g.left) / PLOT) * (last - first);
    }

    listen() {
      this.figure.querySelector(".tools").addEventListener("click", (event) => {
        const button = event.target.closest("button");
        if (button) this.do(button.dataset.do);
      });
      this.figure.querySelector("select").addEventListener("change", (event) => this.choose(Number(event.target.value)));
      this.figure.querySelector(".chips")?.addEventListener("click", (event) => {
        const chip = event.target.closest(".chip");
        if (chip) { this.choose(Number(chip.dataset.cycle)); this.panels.focus({ preventScroll: true }); }
      });
      this.panels.addEventListener("keydown", (event) => this.key(event));
      this.panels.addEventListener("wheel", (event) => {
        if (!event.ctrlKey) return; // without Ctrl the wheel scrolls the page, as everywhere
        event.preventDefault();
        this.zoom(event.deltaY < 0 ? 0.8 : 1.25, this.instantAt(event));
      }, { passive: false });
      this.listenDrag();
    }

    key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const deed = event.shiftKey
        ? { ArrowLeft: "left", ArrowRight: "right", "+": "in" }[event.key]
        : { ArrowLeft: "previous", ArrowUp: "previous", ArrowRight: "next", ArrowDown: "next",
            "+": "in", "=": "in", "-": "out", "−": "out", 0: "first", w: "whole" }[event.key];
      if (!deed) return;
      event.preventDefault();
      this.do(deed);
    }

    listenDrag() {
      let held = null;
      this.panels.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        held = { x: event.clientX, view: this.view };
        this.panels.setPointerCapture(event.pointerId);
        this.panels.classList.add("dragging");
      });
      this.panels.addEventListener("pointermove", (event) => {
        this.pointAt(event);
        if (!held) return;
        const units = ((held.x - event.clientX) / this.svgs[0].getBoundingClientRect().width) * g.width;
        const by = (units / PLOT) * (held.view[1] - held.view[0]);
        this.show(held.view[0] + by, held.view[1] + by);
      });
      for (const end of ["pointerup", "pointercancel"])
        this.panels.addEventListener(end, () => { held = null; this.panels.classList.remove("dragging"); });
      this.panels.addEventListener("pointerleave", () => this.pointAt(null));
    }

    pointAt(event) {
      const at = event === null ? null : this.instantAt(event);
      const inside = at !== null && at >= this.view[0] && at <= this.view[1];
      this.figure.querySelector(".pointer").textContent = inside ? `pointer at ${(at / 1000).toFixed(3).replace("-", "−")} s` : "";
      for (const svg of this.svgs) {
        const x = g.left + ((at - this.view[0]) / (this.view[1] - this.view[0])) * PLOT;
        svg.querySelector(".cursor").setAttribute("d", inside ? `M${x.toFixed(1)} ${g.gridFrom}V${svg.dataset.gridTo}` : "");
      }
    }
  }

  const diagrams = [...document.querySelectorAll("figure.diagram")].filter((figure) => figure.querySelector(".case-data"))
    .map((figure) => new Diagram(figure));
  // On paper every diagram shows what it showed at first; the cycle chosen on screen stays chosen.
  let views = [];
  addEventListener("beforeprint", () => {
    views = diagrams.map((diagram) => diagram.view);
    for (const diagram of diagrams) diagram.show(...diagram.data.view);
  });
  addEventListener("afterprint", () => diagrams.forEach((diagram, index) => diagram.show(...(views[index] ?? diagram.data.view))));
})();

// The switches, the order of the list, and the values under a finger, pointer or keyboard.
// All numbers are already in the page: this script reads them from attributes and writes text.
"use strict";
(() => {
  const root = document.documentElement;
  root.classList.add("has-script");

  const SVG = "http://www.w3.org/2000/svg";
  const make = (tag, kind, parent) => {
    const made = document.createElementNS(SVG, tag);
    made.setAttribute("class", kind);
    parent.append(made);
    return made;
  };
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];

  // --- switches --------------------------------------------------------------------------

  const onChoice = (group, act) => {
    const radios = all(`input[name="${group}"]`);
    const now = () => radios.filter((one) => one.checked).forEach((one) => act(one.value));
    radios.forEach((one) => one.addEventListener("change", now));
    now(); // a browser may keep a choice when the page is loaded again
  };

  const paper = document.getElementById("paper");
  const onPaper = () => {
    if (paper.value === "auto") delete root.dataset.paper;
    else root.dataset.paper = paper.value;
  };
  paper.addEventListener("change", onPaper);
  onPaper();
  onChoice("view", (view) => {
    root.dataset.view = view;
    all("figure.overlay").forEach((figure) => figure.readings?.show());
  });

  const body = document.querySelector(".glance tbody");
  onChoice("order", (order) => {
    const key = order === "best" ? "rank" : "number";
    body?.append(...[...body.rows].sort((a, b) => a.dataset[key] - b.dataset[key]));
  });
  const pair = document.getElementById("which-pair");
  const onlyPair = () => {
    const wanted = pair.value;
    const hide = (one) => { one.hidden = wanted !== "" && one.dataset.pair !== wanted; };
    all("[data-pair]").forEach(hide);
  };
  pair?.addEventListener("change", onlyPair);
  if (pair) onlyPair();
  // A link to a takeover that is hidden by the choice of a pair shows all again.
  window.addEventListener("hashchange", () => {
    const there = document.getElementById(location.hash.slice(1));
    if (pair && there?.hidden) { pair.value = ""; onlyPair(); there.scrollIntoView(); }
  });

  // --- courses ---------------------------------------------------------------------------

  const EVERY_S = 0.05;
  const course = (text) => {
    if (!text) return null;
    const [first, ...columns] = text.split(";").map((part) => part.split(",").map((n) => n / 100));
    const [s, sSd, v, vSd] = columns;
    return { first: first[0], s, sSd, v, vSd };
  };
  const at = (one, t) => {
    const row = (t - one.first) / EVERY_S;
    if (row < -0.01 || row > one.s.length - 0.99) return null;
    const low = Math.min(Math.max(Math.floor(row), 0), one.s.length - 2);
    const part = row - low;
    const mix = (column) => column[low] + part * (column[low + 1] - column[low]);
    return { t, s: mix(one.s), sSd: mix(one.sSd), v: mix(one.v), vSd: mix(one.vSd) };
  };
  const when = (one, s) => {
    for (let row = 1; row < one.s.length; row += 1) {
      if (one.s[row - 1] < s && one.s[row] >= s) {
        const part = (s - one.s[row - 1]) / (one.s[row] - one.s[row - 1]);
        return one.first + (row - 1 + part) * EVERY_S;
      }
    }
    return null;
  };
  const coursesOf = (figure) => ({
    in: course(figure.dataset.in), out: course(figure.dataset.out),
    names: { in: figure.dataset.nameIn, out: figure.dataset.nameOut },
    pass: figure.dataset.pass === undefined ? null : Number(figure.dataset.pass),
  });
  const found = (courses, side, view, x) => {
    const one = courses[side];
    if (!one) return null;
    const t = view === "zone" ? when(one, x) : x;
    return t === null ? null : at(one, t);
  };

  // --- words -----------------------------------------------------------------------------

  const fixed = (value, digits) => {
    const text = value.toFixed(digits);
    return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "−");
  };
  const error = (sd, digits) => fixed(Math.max(sd, 10 ** -digits), digits);
  const inWords = (courses, view, x) => {
    const both = { in: found(courses, "in", view, x), out: found(courses, "out", view, x) };
    const words = [view === "zone" ? `${fixed(x, 1)} m past the entry line` : `${fixed(x, 2)} s`];
    for (const side of ["in", "out"]) {
      const one = both[side];
      if (!one) continue;
      const other = view === "zone" ? `at ${fixed(one.t, 2)} s` : `at ${fixed(one.s, 1)} m`;
      const speed = `${fixed(one.v, 2)} ± ${error(one.vSd, 2)} m/s`;
      words.push(`${courses.names[side]} ${speed} ${other}`);
    }
    if (view === "clock" && both.in && both.out) {
      const sd = Math.hypot(both.in.sSd, both.out.sSd);
      words.push(`gap ${fixed(both.out.s - both.in.s, 1)} ± ${error(sd, 1)} m`);
    }
    if (view === "clock" && courses.pass !== null) {
      words.push(`baton with ${courses.names[x < courses.pass ? "in" : "out"]}`);
    }
    return { words: words.join("; "), both };
  };

  // --- one figure --------------------------------------------------------------------------

  const axes = (svg) => {
    const [low, high, left, right] = svg.dataset.x.split(" ").map(Number);
    const y = svg.dataset.y.split(" ").map(Number);
    return {
      low, high,
      across: (x) => left + (x - low) / (high - low) * (right - left),
      back: (px) => low + (px - left) / (right - left) * (high - low),
      down: (v) => y[2] + (v - y[0]) / (y[1] - y[0]) * (y[3] - y[2]),
      top: y[3], bottom: y[y.length - 2],
    };
  };

  class Readings {
    constructor(figure) {
      this.figure = figure;
      this.ids = figure.dataset.reps ? figure.dataset.reps.split(" ") : null;
      this.picked = this.ids ? null : 0;
      this.parsed = []; // courses, when first asked for: hundreds of figures open at once
      this.x = { zone: null, clock: null };
      this.slider = document.createElement("input");
      this.slider.type = "range";
      this.slider.className = "pointer";
      this.readout = document.createElement("output");
      this.readout.className = "readout";
      this.readout.setAttribute("aria-live", "off"); // the slider speaks for itself
      this.select = figure.parentElement.querySelector(":scope > .pick select");
      figure.append(this.slider, this.readout);
      this.slider.addEventListener("input", () => this.move(Number(this.slider.value)));
      if (this.ids) {
        this.select.addEventListener("change", () => this.pick(this.select.value));
      }
      all("svg", figure).forEach((svg) => {
        svg.addEventListener("pointermove", (event) => this.point(svg, event));
        svg.addEventListener("pointerdown", (event) => this.point(svg, event));
      });
      this.show();
    }

    coursesAt(rep) {
      if (this.parsed[rep] === undefined) {
        const own = this.ids
          ? document.getElementById(this.ids[rep])?.querySelector("figure.overlay")
          : this.figure;
        this.parsed[rep] = own ? coursesOf(own) : null;
      }
      return this.parsed[rep];
    }

    get view() { return root.dataset.view; }

    svg() { return this.figure.querySelector(`.view.${this.view} svg`); }

    courses() { return this.picked === null ? null : this.coursesAt(this.picked); }

    point(svg, event) {
      const box = svg.getBoundingClientRect();
      if (!box.width) return;
      const unit = svg.viewBox.baseVal.width / box.width;
      const frame = axes(svg);
      const x = frame.back((event.clientX - box.left) * unit);
      if (this.ids) this.nearest(frame, x, (event.clientY - box.top) * unit);
      this.move(Math.min(Math.max(x, frame.low), frame.high));
    }

    nearest(frame, x, py) {
      let best = null;
      this.ids.forEach((_, rep) => {
        const courses = this.coursesAt(rep);
        if (!courses) return;
        for (const side of ["in", "out"]) {
          const one = found(courses, side, this.view, x);
          const off = one ? Math.abs(frame.down(one.v) - py) : Infinity;
          if (off < 40 && (best === null || off < best.off)) best = { rep, off };
        }
      });
      if (best && best.rep !== this.picked) this.pick(String(best.rep));
    }

    pick(value) {
      this.picked = value === "" ? null : Number(value);
      this.select.value = value;
      this.figure.classList.toggle("chosen", this.picked !== null);
      all("[data-rep]", this.figure).forEach((group) => {
        group.classList.toggle("picked", group.dataset.rep === value);
      });
      this.show();
    }

    move(x) {
      this.x[this.view] = x;
      this.show();
    }

    show() {
      const svg = this.svg();
      if (!svg) return;
      const frame = axes(svg);
      this.slider.min = frame.low.toFixed(2);
      this.slider.max = frame.high.toFixed(2);
      this.slider.step = this.view === "zone" ? 0.1 : 0.02;
      const what = this.view === "zone" ? "Place to read out, m" : "Moment to read out, s";
      this.slider.setAttribute("aria-label", `${what}, ${this.figure.dataset.of}`);
      const x = this.x[this.view];
      this.slider.value = x ?? 0;
      all(".cursor", this.figure).forEach((old) => old.remove());
      this.slider.disabled = this.picked === null;
      const courses = x === null ? null : this.courses();
      if (!courses) {
        this.readout.textContent = this.picked !== null
          ? "Point at the figure, or move the slider, to read values."
          : "Pick out one, or point at a curve, to read values.";
        this.slider.setAttribute("aria-valuetext", this.readout.textContent);
        return;
      }
      const { words, both } = inWords(courses, this.view, x);
      const which = this.ids ? `${this.select.selectedOptions[0].textContent}: ` : "";
      this.readout.textContent = which + words;
      this.slider.setAttribute("aria-valuetext", which + words);
      const cursor = make("g", "cursor", svg);
      const px = frame.across(x).toFixed(1);
      make("path", "upright", cursor).setAttribute("d", `M${px} ${frame.top}V${frame.bottom}`);
      for (const [side, role] of [["in", "incoming"], ["out", "outgoing"]]) {
        if (!both[side]) continue;
        const spot = make("circle", `spot sign hollow ink-${role}`, cursor);
        spot.setAttribute("cx", px);
        spot.setAttribute("cy", frame.down(both[side].v).toFixed(1));
        spot.setAttribute("r", "5");
      }
    }
  }

  all("figure.overlay").forEach((figure) => { figure.readings = new Readings(figure); });
})();

// The overlay of one takeover or of a pair's: the values under a finger, pointer or keyboard.
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
    all("svg", figure).forEach((svg) => this.listen(svg));
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

  unpack() {
    all(".packed", this.figure).forEach((one) => {
      unpack(JSON.parse(one.textContent), one.parentElement);
      this.listen(one.parentElement.querySelector("svg"));
      one.remove();
    });
  }

  listen(svg) {
    svg.addEventListener("pointermove", (event) => this.point(svg, event));
    svg.addEventListener("pointerdown", (event) => this.point(svg, event));
  }

  // What is drawn from the readings has its points in them: it is drawn when first in sight.
  draw() {
    if (this.drawn) return;
    this.drawn = true;
    this.unpack();
    all(".view svg", this.figure).forEach((svg) => {
      const frame = axes(svg);
      const { view } = svg.parentElement.dataset;
      all("[data-reading], [data-band], [data-signs]", svg).forEach((path) => {
        const courses = this.coursesAt(Number(path.closest("[data-rep]")?.dataset.rep ?? 0));
        if (courses) drawLive(path, courses, frame, view);
      });
    });
    this.show();
  }

  svg() {
    if (this.view === "clock") this.unpack();
    return this.figure.querySelector(`.view.${this.view} svg`);
  }

  courses() { return this.picked === null ? null : this.coursesAt(this.picked); }

  point(svg, event) {
    const box = svg.getBoundingClientRect();
    if (!box.width) return;
    const unit = svg.viewBox.baseVal.width / box.width;
    const frame = axes(svg);
    const x = frame.back((event.clientX - box.left) * unit);
    if (this.ids) this.nearest(frame, x, (event.clientY - box.top) * unit + svg.viewBox.baseVal.y);
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
    const { of } = this.figure.dataset;
    const slider = this.view === "zone" ? "placeSlider" : "momentSlider";
    this.slider.setAttribute("aria-label", say(slider, { of }));
    const x = this.x[this.view];
    this.slider.value = x ?? 0;
    all(".cursor", this.figure).forEach((old) => old.remove());
    this.slider.disabled = this.picked === null;
    const courses = x === null ? null : this.courses();
    if (!courses) {
      this.readout.textContent = say(this.picked !== null ? "point" : "pick");
      this.slider.setAttribute("aria-valuetext", this.readout.textContent);
      return;
    }
    const { values, both } = inWords(courses, this.view, x);
    this.readout.textContent = this.ids
      ? say("chosen", { one: this.select.selectedOptions[0].textContent, values }) : values;
    this.slider.setAttribute("aria-valuetext", this.readout.textContent);
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

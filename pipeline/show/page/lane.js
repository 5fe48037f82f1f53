// The lane from above, to scale: where both runners are at a moment, and the takeover as it runs.
const LANE_M = 1.22; // World Athletics Technical Rules, TR14.4: lanes are 1.22 m wide
const WIDE = 480; // units of the picture
const LEAST_M = 8; // seen of the lane, more where the two are farther apart
const MOST_M = 60; // runners farther apart are told in words alone
const ROOM_M = 4; // before the one and ahead of the other, together
const TOP = 36; // units above the lane, for words
const BELOW = 24;
const QUARTER = 0.25;
const STEP_S = 0.1;
const still = matchMedia("(prefers-reduced-motion: reduce)");

class Lane {
  constructor(box) {
    this.box = box;
    const from = box.parentElement.querySelector(":scope > figure.overlay");
    this.figure = from;
    const [zone, back, tape] = box.dataset.lane.split(" ");
    this.place = { zone: Number(zone), back: Number(back), tape: tape ? Number(tape) : null };
    this.moments = box.dataset.moments.split(";").map((one) => {
      const [name, t] = one.split(" ");
      return { name, t: Number(t) };
    });
    this.reach = box.dataset.reach ? Number(box.dataset.reach) : null;
    this.passSd = box.dataset.passSd ? Number(box.dataset.passSd) : null;
    this.controls();
  }

  controls() {
    const { of } = this.figure.dataset;
    const bar = makeHtml("div", "lane-controls", this.box);
    this.run = makeHtml("button", "run", bar);
    this.run.type = "button";
    this.name(still.matches ? "step" : "run");
    for (const { name, t } of this.moments) {
      const jump = makeHtml("button", "jump", bar, say(`name-${name}`));
      jump.type = "button";
      jump.setAttribute("aria-label", say("jumpAloud", { moment: say(name), of }));
      jump.addEventListener("click", () => { this.stop(); this.to(t); });
    }
    this.slider = document.createElement("input");
    this.slider.type = "range";
    this.slider.className = "scrubber";
    const times = this.moments.map((one) => one.t);
    this.low = Math.min(...times) - 0.5;
    this.high = Math.max(...times) + 0.3;
    Object.assign(this.slider, { min: this.low.toFixed(2), max: this.high.toFixed(2), step: 0.02 });
    this.slider.setAttribute("aria-label", say("laneSlider", { of }));
    const start = this.moments.find((one) => one.name === "pass") ?? this.moments[0];
    this.t = start.t;
    this.slider.value = this.t;
    this.box.append(this.slider);
    this.readout = makeHtml("output", "readout", this.box);
    this.readout.setAttribute("aria-live", "off"); // the slider speaks for itself
    this.slider.addEventListener("input", () => { this.stop(); this.to(Number(this.slider.value)); });
    this.run.addEventListener("click", () => this.toggle());
  }

  draw() {
    if (this.svg) return;
    this.courses = coursesOf(this.figure);
    const most = LANE_M * WIDE / LEAST_M + TOP + BELOW;
    const given = { viewBox: `0 0 ${WIDE} ${most}`, role: "img" };
    this.svg = make("svg", "lane-picture", this.box, given);
    this.box.prepend(this.svg);
    const stills = makeHtml("div", "stills", this.box);
    for (const { name, t } of this.moments) {
      const svg = make("svg", "lane-picture", stills, given);
      const title = say("still", { moment: say(name), time: fixed(t, 2) });
      svg.setAttribute("aria-label", title);
      const { frame } = this.scene(svg, t, title);
      svg.setAttribute("viewBox", `0 0 ${WIDE} ${frame.top + frame.high + BELOW}`);
    }
    this.to(this.t);
  }

  // Everything in the lane at one moment, seen from above.
  scene(svg, t, title) {
    svg.replaceChildren();
    const both = {
      in: found(this.courses, "in", "clock", t), out: found(this.courses, "out", "clock", t),
    };
    const frame = this.camera(both, title !== "");
    if (!frame) return { both, frame: { top: TOP, high: 0 } };
    this.ground(svg, frame);
    const { pass } = this.courses;
    const handed = pass !== null && t >= pass ? "out" : "in";
    const holder = this.box.dataset.baton === undefined ? null : handed;
    if (pass !== null && this.passSd && Math.abs(t - pass) < 0.05 && both.in && both.out) {
      this.smear(svg, "plain", (both.in.s + both.out.s) / 2, this.passSd, frame);
    }
    for (const side of ["in", "out"]) {
      if (both[side]) this.runner(svg, side, both[side], side === holder, frame);
    }
    if (title) make("text", "at-start lane-title", svg, { x: 4, y: 14 }).textContent = title;
    return { both, frame };
  }

  // As near as both runners allow; a picture that moves keeps the lane's middle in one place.
  camera(both, isStill) {
    const there = [both.in, both.out].filter(Boolean).map((one) => one.s);
    if (!there.length) return null;
    const [first, final] = [Math.min(...there), Math.max(...there)];
    const seen = Math.min(Math.max(LEAST_M, final - first + ROOM_M), MOST_M);
    const unit = WIDE / seen; // of the picture for a metre, along the lane and across
    const low = (first + final - seen) / 2;
    const high = LANE_M * unit;
    const across = (s) => (s - low) * unit;
    return {
      low, unit, high, across, end: low + seen,
      top: TOP + (isStill ? 0 : (LANE_M * WIDE / LEAST_M - high) / 2),
      inside: (s) => Math.min(Math.max(across(s), 0), WIDE),
    };
  }

  ground(svg, { low, end, unit, high, top, across, inside }) {
    const { zone, back, tape } = this.place;
    const below = top + high + 18;
    make("rect", "lane-floor", svg, { x: 0, y: top, width: WIDE, height: high });
    const [a, b] = [inside(0), inside(zone)];
    if (b > a) make("rect", "ground", svg, { x: a, y: top, width: b - a, height: high });
    make("path", "line", svg, { d: `M0 ${top}H${WIDE}M0 ${top + high}H${WIDE}` });
    const lines = [[0, "entryLine"], [zone, "exitLine"], ...(back ? [[back, "backLine"]] : [])]
      .filter(([s]) => s >= low && s <= end);
    const taken = [];
    const word = (kind, x, text) => {
      const half = text.length * 4.5;
      const middle = Math.min(Math.max(x, half), WIDE - half);
      if (taken.some(([from, to]) => middle - half < to && middle + half > from)) return;
      taken.push([middle - half, middle + half]);
      make("text", `${kind} at-middle`, svg, { x: middle, y: below }).textContent = text;
    };
    for (const [s, name] of lines) {
      const x = across(s);
      make("path", "zone-line", svg, { d: `M${x} ${top - 4}V${top + high + 4}` });
      word("quiet", x, say(name));
    }
    if (tape !== null && tape > low && tape < end) {
      const x = across(tape);
      // 0.40 m long (TR24.4); its 0.05 m are drawn as wide as can be seen
      const long = 0.4 * unit;
      make("rect", "tape", svg, { x: x - 2, y: top + high - long, width: 4, height: long });
      word("quiet", x, say("tape"));
    }
    for (let s = Math.ceil(low); s <= end; s += 1) {
      const x = across(s);
      make("path", "axis", svg, { d: `M${x} ${top + high}v${s % 5 ? 3 : 6}` });
      if (s % 5 === 0 || end - low < 10) word("tick", x, say("metres", { place: fixed(s, 0) }));
    }
  }

  // Where a runner may be: darker where likelier.
  smear(svg, ink, s, sd, { top, high, inside }) {
    for (const k of [2, 1.4, 0.7]) {
      const [a, b] = [inside(s - k * sd), inside(s + k * sd)];
      make("rect", `may-be ink-${ink}`, svg, { x: a, y: top + 1, width: b - a, height: high - 2 });
    }
  }

  runner(svg, side, one, holds, frame) {
    const { top, high, unit, across } = frame;
    const incoming = side === "in";
    const role = incoming ? "incoming" : "outgoing";
    const x = across(one.s);
    // Who runs on which side of the lane is not known: they are drawn apart to be seen apart.
    const y = top + high * (incoming ? 0.36 : 0.64);
    const middle = top + high / 2;
    this.smear(svg, role, one.s, one.sSd, frame);
    const forward = incoming ? 1 : -1;
    const hand = x + forward * unit * (this.reach === null ? 0.4 : this.reach / 2);
    if (this.reach !== null) {
      make("path", `reach ink-${role}`, svg, { d: `M${x} ${y}L${hand} ${middle}` });
    }
    const body = { cx: x, cy: y, rx: 0.14 * unit, ry: 0.23 * unit };
    make("ellipse", `sign ${incoming ? "full" : "hollow"} ink-${role}`, svg, body);
    if (holds) {
      const half = 0.15 * unit; // a baton is 0.28 to 0.30 m long (TR24.5)
      make("path", "baton-stick", svg, { d: `M${hand - half} ${middle}h${2 * half}` });
    }
    const anchor = incoming ? "end" : "start";
    const at = incoming ? Math.max(x + 6, 70) : Math.min(x - 6, WIDE - 70);
    make("text", `word ink-${role} at-${anchor}`, svg, { x: at, y: top - 6 })
      .textContent = this.courses.names[side];
  }

  to(t) {
    this.t = Math.min(Math.max(t, this.low), this.high);
    this.slider.value = this.t;
    if (!this.svg) this.draw();
    const { both } = this.scene(this.svg, this.t, "");
    const told = [say("moment", { time: fixed(this.t, 2) })];
    for (const side of ["in", "out"]) {
      const one = both[side];
      if (one) {
        told.push(say("runnerInLane", {
          name: this.courses.names[side], place: fixed(one.s, 1), speed: fixed(one.v, 1),
        }));
      }
    }
    if (both.in && both.out) told.push(say("gap", { gap: fixed(both.out.s - both.in.s, 1) }));
    const values = told.join(words.between);
    this.readout.textContent = values;
    this.svg.setAttribute("aria-label", say("lane", { values }));
    this.slider.setAttribute("aria-valuetext", values);
  }

  toggle() {
    if (still.matches) { this.to(this.t >= this.high ? this.low : this.t + STEP_S); return; }
    if (this.frame) { this.stop(); return; }
    if (this.t >= this.high - 0.01) this.to(this.low);
    this.name("stop");
    let before = null;
    const tick = (now) => {
      if (before !== null) this.to(this.t + QUARTER * (now - before) / 1000);
      before = now;
      if (this.t >= this.high) this.stop();
      else this.frame = requestAnimationFrame(tick);
    };
    this.frame = requestAnimationFrame(tick);
  }

  stop() {
    if (!this.frame) return;
    cancelAnimationFrame(this.frame);
    this.frame = null;
    this.name("run");
  }

  // What a button says aloud begins with what it shows.
  name(key) {
    this.run.textContent = say(key);
    this.run.setAttribute("aria-label", say(`${key}Aloud`, { of: this.figure.dataset.of }));
  }
}

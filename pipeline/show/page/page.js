// The switches, the order of the list and what it shows, what opens and folds.
// All numbers and words are already in the page: scripts read them there and write text.
root.classList.add("has-script");
const figures = all("figure.overlay, .lane");
const MOST_AT_ONCE = 160; // with more, each gets its controls when it comes near
const equip = (one) => {
  if (one.matches(".lane")) one.lane ??= new Lane(one);
  else one.readings ??= new Readings(one);
};
if (figures.length <= MOST_AT_ONCE) figures.forEach(equip);

// --- switches ------------------------------------------------------------------------------

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

// --- the list ------------------------------------------------------------------------------

const body = document.querySelector(".glance tbody");
onChoice("order", (order) => {
  const key = order === "cost" ? "rank" : "number";
  body?.append(...[...body.rows].sort((a, b) => a.dataset[key] - b.dataset[key]));
});
const pair = document.getElementById("which-pair");
const kind = document.getElementById("which-kind");
const tally = document.getElementById("tally");
const onlyChosen = () => {
  const wanted = pair?.value ?? "";
  const what = kind?.value ?? "";
  const fits = (row) => (wanted === "" || row.dataset.pair === wanted)
    && (what === "" || row.dataset.kinds.split(" ").includes(what));
  const shown = [...(body?.rows ?? [])].filter((row) => {
    row.hidden = !fits(row);
    return !row.hidden;
  });
  const there = new Set(shown.map((row) => row.querySelector("a").hash.slice(1)));
  all("article.takeover").forEach((one) => { one.hidden = !there.has(one.id); });
  all(".multiple").forEach((one) => {
    one.hidden = !there.has(one.querySelector("a").hash.slice(1));
  });
  all("article.pair").forEach((one) => {
    one.hidden = wanted !== "" && one.dataset.pair !== wanted;
  });
  if (tally) {
    const every = body.rows.length;
    tally.textContent = shown.length === every
      ? "" : say("shown", { shown: shown.length, all: every });
  }
};
[pair, kind].forEach((one) => one?.addEventListener("change", onlyChosen));
if (body) onlyChosen();

// --- what opens and folds --------------------------------------------------------------------

const narrow = matchMedia("(max-width: 44rem)");
if (narrow.matches) all("details[data-fold]").forEach((one) => { one.open = false; });
// Somebody who follows a link to a takeover wants to see it: also one that a choice hides.
const unfold = () => {
  const there = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (!there) return;
  if (there.hidden) {
    [pair, kind].forEach((one) => { if (one) one.value = ""; });
    onlyChosen();
    there.scrollIntoView();
  }
  all("details.whole", there).forEach((one) => { one.open = true; });
};
addEventListener("hashchange", unfold);
unfold();
all(".steps a[data-step]").forEach((link) => link.addEventListener("click", (event) => {
  const step = Number(link.dataset.step);
  const seen = all("article.takeover").filter((one) => !one.hidden);
  const next = seen[seen.indexOf(link.closest("article")) + step];
  event.preventDefault();
  if (next) location.hash = next.id;
}));

// --- what is drawn when it comes into sight -----------------------------------------------------

const draw = (one) => { equip(one); (one.readings ?? one.lane).draw(); };
const near = new IntersectionObserver((seen) => seen.forEach((entry) => {
  if (entry.isIntersecting) { draw(entry.target); near.unobserve(entry.target); }
}), { rootMargin: "400px" });
figures.forEach((one) => near.observe(one));
let folded = []; // on paper everything is open, and afterwards as it was
addEventListener("afterprint", () => folded.forEach((one) => { one.open = false; }));
addEventListener("beforeprint", () => {
  folded = all("details:not([open])");
  folded.forEach((one) => { one.open = true; });
  figures.forEach(draw);
});

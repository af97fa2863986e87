// Charts: each is drawn when it comes near the view, and all are before they are printed.

const NEAR = "600px 0px"; // charts this close to the view are drawn at once
const PAPER_PX = 680; // A4 less the margins of style.css
const PAIR_PX = 328; // each of two beside each other on it
const FOLDED = "details:not([open]), [hidden]";
const UNPRINTED = ".whole:not([open]) details.part:not([open]), [hidden]"; // by the style sheet

const drawings = new Map(); // plot element -> the view in it; null while it is being drawn
let waiting = new Map(); // plot element -> what to draw in it
let urgent = [];
let busy = false;
let printing = false;

/** Draw the charts of `root` when their turn comes. `data` is what `chart_data` of html.py gives. */
function show(root, data) {
  const charts = new Map(data.charts.map((chart) => [chart.id, chart]));
  forget();
  for (const plot of root.querySelectorAll(".plot[data-chart]")) {
    const chart = charts.get(plot.dataset.chart);
    if (!chart || drawings.has(plot)) continue;
    waiting.set(plot, { ...chart, spec: data.specs[chart.spec] });
    approach.observe(plot);
    width.observe(plot);
  }
  next();
}

/** Charts whose place has left the page. */
function forget() {
  for (const [plot, view] of drawings) {
    if (plot.isConnected) continue;
    if (view) view.finalize();
    drawings.delete(plot);
  }
  waiting = new Map([...waiting].filter(([plot]) => plot.isConnected));
}

const approach = new IntersectionObserver((entries) => {
  urgent.push(...entries.filter((entry) => entry.isIntersecting).map((entry) => entry.target));
  next();
}, { rootMargin: NEAR });

const width = new ResizeObserver((entries) => {
  if (printing) return;
  for (const { target, contentRect } of entries) fit(target, contentRect.width);
});

const idle = window.requestIdleCallback ?? ((then) => setTimeout(then, 1));

/** One chart at a time, those near the view first, and the page answers in between. Folded ones wait to be opened. */
function next() {
  if (busy) return;
  urgent = urgent.filter((plot) => waiting.has(plot));
  const plot = urgent.shift() ?? [...waiting.keys()].find(isOpen);
  if (!plot) return;
  busy = true;
  idle(async () => {
    try {
      await draw(plot, plot.clientWidth);
    } finally { // one that cannot be drawn does not keep back the others
      busy = false;
      next();
    }
  }, { timeout: 100 });
}

/** The folds are asked first: a size inside one would have all that is folded laid out. */
function isOpen(plot) {
  return !plot.closest(FOLDED) && plot.clientWidth > 0;
}

async function draw(plot, width_px) {
  const chart = waiting.get(plot);
  if (!chart || !width_px) return;
  waiting.delete(plot);
  approach.unobserve(plot);
  const place = document.createElement("div");
  place.className = "drawn";
  place.ariaHidden = "true"; // read out mark by mark on request, and in words and as a table below
  plot.append(place);
  drawings.set(plot, null);
  const { view } = await trialbed.vegaEmbed(place, filled(chart), {
    mode: "vega",
    ast: true, // expressions are interpreted: the page's policy forbids making programs from texts
    renderer: "svg",
    actions: false,
    defaultStyle: false,
    logLevel: 1, // errors only: a series without readings is no fault of the page
    tooltip: (handler, event, item, value) => hint(value, event?.clientX, event?.clientY), // none when a view is given up
  });
  drawings.set(plot, view);
  named(plot, chart);
  fit(plot, width_px);
}

/** The specification with the chart's rows in its data sets. */
function filled({ spec, data }) {
  const sets = spec.data.map((set) => (Object.hasOwn(data, set.name) ? { ...set, values: rows(data[set.name]) } : set));
  return { ...spec, data: sets };
}

function rows({ fields, columns }) {
  const made = Array.from(columns[0] ?? [], () => ({}));
  fields.forEach((field, i) => columns[i].forEach((value, at) => { made[at][field] = value; }));
  return made;
}

function fit(plot, width_px) {
  const view = drawings.get(plot);
  if (!view || !width_px) return;
  const { left, right } = view.padding();
  const inside = Math.max(60, width_px - left - right);
  if (view.width() !== inside) view.width(inside).run();
}

/** All charts that are printed, at the width of the paper: those in most folded parts as well. */
function beforePrint() {
  printing = true;
  const onPaper = (plot) => (plot.closest(".beside") ? PAIR_PX : PAPER_PX);
  for (const plot of drawings.keys()) fit(plot, onPaper(plot));
  for (const plot of [...waiting.keys()]) if (!plot.closest(UNPRINTED)) draw(plot, onPaper(plot));
}

function afterPrint() {
  printing = false;
  for (const plot of drawings.keys()) if (isOpen(plot)) fit(plot, plot.clientWidth);
}

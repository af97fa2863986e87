// What the pages of a local server do while they are looked at: follow runs, and show what has changed.
// Without it everything is there as it was when the page was asked for. Texts are only ever set as text; the parts of a
// page that are fetched anew come from the same server, which has escaped every text in them.
"use strict";

(() => {
  const SILENT_MS = 35000; // the server speaks at least every ten seconds
  const AGAIN_MS = 3000;
  const FEWEST = 61; // readings that the line has room for, so that it does not stretch as it grows
  const LOST = "The connection is lost, so what stands here may be out of date. It is tried again and again.";
  const REFUSED = { // by the status that a stream is answered with
    401: "The token is asked for again: reload this page. What stands here may be out of date.",
    404: "This run is not in the store any more. What stands here is how it was last seen.",
    409: "This cannot be looked at any more: reload this page to see why. What stands here is how it was last seen.",
    503: "Too many pages are watched at a time, so what stands here may be out of date. Close another one.",
  };
  const SVG = "http://www.w3.org/2000/svg";
  const byId = (id) => document.getElementById(id);

  /**
   * Follow a stream of news while the page is looked at; a page in the background holds no connection, since a browser
   * has few of them. `hear` has a function by name of event, which is given its data.
   */
  function follow(address, hear) {
    let source = null;
    let timer = 0;
    let over = false;

    function lost(words) {
      const note = byId("lost");
      if (note.textContent !== words) note.textContent = words; // else it would be read out again and again
      note.hidden = !words;
    }

    function alive() {
      lost("");
      clearTimeout(timer);
      timer = setTimeout(broken, SILENT_MS);
    }

    async function broken() {
      close();
      if (byId("lost").hidden) lost(LOST);
      timer = setTimeout(open, AGAIN_MS);
      const words = (await refused(address)) || LOST;
      if (!byId("lost").hidden) lost(words);
    }

    function open() {
      if (source || over || document.hidden) return;
      clearTimeout(timer);
      timer = setTimeout(broken, SILENT_MS);
      source = new EventSource(address);
      source.onopen = alive;
      source.onerror = broken;
      source.addEventListener("still-there", alive);
      for (const [name, told] of Object.entries(hear)) {
        source.addEventListener(name, (event) => { alive(); told(JSON.parse(event.data)); });
      }
    }

    function close() {
      clearTimeout(timer);
      source?.close();
      source = null;
    }

    document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
    addEventListener("pagehide", close);
    addEventListener("pageshow", open);
    open();
    return () => { over = true; close(); lost(""); };
  }

  /** Why a stream is not to be had, where the server is there and says so; else empty. A stream itself does not tell. */
  async function refused(address) {
    try {
      return REFUSED[(await fetch(address, { method: "HEAD" })).status] ?? "";
    } catch {
      return "";
    }
  }

  /** A part of a page, as elements of no document yet; null where it is not to be had now. */
  async function part(address) {
    try {
      const answer = await fetch(address, { headers: { accept: "text/html" } });
      if (!answer.ok || answer.redirected) return null;
      return new DOMParser().parseFromString(await answer.text(), "text/html").body;
    } catch {
      return null; // the connection is lost: the next news asks again
    }
  }

  /** Fetches one at a time; what is asked for meanwhile is fetched once afterwards. */
  function oneAtATime(fetched) {
    let busy = false;
    let again = false;
    return async function ask() {
      if (busy) { again = true; return; }
      busy = true;
      await fetched();
      busy = false;
      if (again) { again = false; ask(); }
    };
  }

  // ---- The list of runs ---------------------------------------------------------------------------------------

  function list(form) {
    const rows = byId("rows");
    const hint = byId("compare-hint");
    const asked = hint.textContent;
    const ticks = () => [...rows.querySelectorAll("input[name=run]")];
    const { kept, keep } = shelf(`ticked ${form.dataset.store}`);
    let ticked = kept();

    /** Ticks as they were made, also of runs that are not in this list; those stand below it, and can be taken back. */
    function show() {
      const there = new Set(ticks().map((tick) => tick.value));
      for (const tick of ticks()) tick.checked = ticked.has(tick.value);
      const others = byId("others");
      const away = [...ticked].filter(([run]) => !there.has(run));
      others.replaceChildren(others.firstElementChild, ...away.map(other));
      others.hidden = !away.length;
      count();
    }

    function count() {
      const many = ticked.size;
      const baseline = byId("against")?.value;
      byId("compare").disabled = many < (baseline ? 1 : 2);
      byId("clear").hidden = !many;
      hint.textContent = baseline ? againstBaseline(many) : amongThemselves(many, asked);
    }

    /** Where whoever walks by keys goes on once what had the focus is gone. */
    function goOn() {
      [byId("clear"), hint, byId("words")].find((one) => one.checkVisibility()).focus({ preventScroll: true });
    }

    const fetched = oneAtATime(async () => {
      const body = await part(`${form.dataset.rows}${location.search}`);
      if (!body) return;
      const focused = rows.contains(document.activeElement) ? document.activeElement : null;
      const [run, tag] = [focused?.closest("[data-run]")?.dataset.run, focused?.tagName];
      rows.replaceChildren(...body.children);
      show();
      if (run) rows.querySelector(`[data-run="${CSS.escape(run)}"] ${tag}`)?.focus({ preventScroll: true });
    });

    form.addEventListener("change", ({ target }) => {
      if (target.name !== "run") return count();
      if (target.checked) ticked.set(target.value, target.dataset.title);
      else ticked.delete(target.value);
      keep(ticked);
      const left = byId("others").contains(target);
      show();
      if (left) goOn();
    });
    byId("clear").addEventListener("click", () => {
      ticked.clear();
      keep(ticked);
      show();
      goOn();
    });
    addEventListener("pageshow", () => { ticked = kept(); show(); }); // a browser that goes back shows an older page
    show();
    follow(form.dataset.follows, {
      runs({ version, trials }) {
        if (version !== rows.querySelector("[data-version]").dataset.version) fetched();
        for (const [run, text] of Object.entries(trials)) {
          const cell = rows.querySelector(`[data-run="${CSS.escape(run)}"] .trials`);
          if (cell && cell.textContent !== text) cell.textContent = text;
        }
      },
    });
  }

  /** Titles of ticked runs by id, as long as the tab is open; where a browser keeps nothing, as long as the page is. */
  function shelf(name) {
    function kept() {
      try {
        return new Map(JSON.parse(sessionStorage.getItem(name) ?? "[]"));
      } catch {
        return new Map();
      }
    }
    function keep(ticked) {
      try {
        sessionStorage.setItem(name, JSON.stringify([...ticked]));
      } catch {
        // it is kept on this page
      }
    }
    return { kept, keep };
  }

  function other([run, title]) {
    const label = document.createElement("label");
    const tick = document.createElement("input");
    Object.assign(tick, { type: "checkbox", name: "run", value: run, checked: true });
    const id = document.createElement("span");
    id.className = "under id";
    id.textContent = run;
    label.append(tick, ` ${title} `, id);
    return label;
  }

  const are = (many) => (many === 1 ? "One is ticked" : `${many === 2 ? "Two" : many} are ticked`);

  function amongThemselves(many, asked) {
    if (many === 0) return asked;
    if (many === 1) return `${are(many)}; tick another.`;
    return `${are(many)}: ${many === 2 ? "the newer is set against the older" : "their cells are followed from run to run"}.`;
  }

  const againstBaseline = (many) => (many ? `${are(many)}.` : "Tick a run to set it against the baseline.");

  // ---- A run in progress --------------------------------------------------------------------------------------

  function run(section) {
    const report = byId("report");
    let ended = null;
    addEventListener("resize", () => { byId("facts").style.minHeight = ""; });

    const fetched = oneAtATime(async () => {
      const body = await part(section.dataset.part);
      if (body) swap(report, body);
    });

    const stop = follow(section.dataset.follows, {
      status(told) {
        stand(told);
        course(told);
      },
      trial(told) {
        if (ended !== null && told.ended > ended) byId("told").textContent = `${told.ended} of ${told.planned} trials have ended.`;
        ended = told.ended;
        if (told.version !== report.querySelector("[data-version]").dataset.version) fetched();
      },
      over(told) {
        stop();
        byId("going-on-title").textContent = "Ended";
        byId("told").textContent = `The run has ended: ${told.headline}`;
        section.querySelector(".course").remove();
        byId("facts").style.minHeight = "";
        fetched();
      },
    });
  }

  /** What is known, by name; only what has changed is touched, so that a selection in it stays. */
  function stand({ headline, facts }) {
    if (byId("headline").textContent !== headline) byId("headline").textContent = headline;
    const list = byId("facts");
    const there = new Map([...list.children].map((pair) => [pair.firstElementChild.textContent, pair]));
    const pairs = facts.map(([name, known]) => {
      const pair = there.get(name) ?? document.createElement("div");
      if (!pair.children.length) pair.append(document.createElement("dt"), document.createElement("dd"));
      const [dt, dd] = pair.children;
      if (dt.textContent !== name) dt.textContent = name;
      if (dd.textContent !== known) dd.textContent = known;
      return pair;
    });
    if (pairs.length !== list.children.length || pairs.some((pair, at) => pair !== list.children[at])) {
      list.replaceChildren(...pairs);
    }
    const highest = Math.max(parseFloat(list.style.minHeight) || 0, list.offsetHeight);
    list.style.minHeight = `${highest}px`; // facts come and go, and what stands below them stays where it is
  }

  const short = (value) => value.toLocaleString("en-GB", { maximumSignificantDigits: 4, useGrouping: false });

  /** The readings of the trial in hand on a line from zero; those before its steady state thin. */
  function course({ course: readings, trial, per }) {
    const svg = byId("course");
    const width = svg.clientWidth || 600;
    const [left, right, top, bottom, height] = [4, 92, 14, 22, 140];
    svg.replaceChildren();
    const says = byId("course-says");
    if (!readings.length) {
      says.textContent = "Nothing is measured at the moment.";
      return;
    }
    const rates = readings.map(([rate]) => rate);
    const highest = Math.max(...rates) * 1.08 || 1;
    const span = Math.max(readings.length, FEWEST) - 1;
    const x = (at) => left + (1 - (readings.length - 1 - at) / span) * (width - left - right);
    const y = (rate) => top + (1 - rate / highest) * (height - top - bottom);
    const last = rates.at(-1);
    const steady = readings.findIndex(([, ok]) => ok);
    const points = (from, to) => rates.slice(from, to).map((rate, at) => `${x(from + at).toFixed(1)},${y(rate).toFixed(1)}`).join(" ");
    const add = (name, facts, words) => {
      const element = document.createElementNS(SVG, name);
      for (const [key, value] of Object.entries(facts)) element.setAttribute(key, value);
      if (words !== undefined) element.textContent = words;
      svg.append(element);
    };
    add("line", { class: "zero", x1: left, x2: width - right, y1: y(0), y2: y(0) });
    const cut = steady < 0 ? readings.length : steady + 1;
    add("polyline", { class: "warming", points: points(0, cut) });
    if (steady >= 0) add("polyline", { class: "steady", points: points(steady, readings.length) });
    add("circle", { class: "now", cx: x(readings.length - 1), cy: y(last), r: 3.5 });
    add("text", { class: "figure", x: width - right + 10, y: y(last) + 4 }, short(last));
    if (y(0) - y(last) > 20) add("text", { x: width - right + 10, y: y(0) + 4 }, "0");
    add("text", { x: left, y: height - 5 }, `${span} readings ago`);
    add("text", { "text-anchor": "end", x: width - right, y: height - 5 }, "now");
    const so = steady < 0 ? "none of them steady yet" : "steady at the end";
    says.textContent = `Trial ${trial}: ${short(last)} per ${per} now; the last ${readings.length} readings lie between `
      + `${short(Math.min(...rates))} and ${short(Math.max(...rates))}, ${so}.`;
  }

  // ---- A report in the place of another -----------------------------------------------------------------------

  /** A name for each folded part: its id, or its place within the nearest thing that has one. */
  function folded(root) {
    return new Map([...root.querySelectorAll("details")].map((one) => {
      const around = one.parentElement.closest("[id]");
      const place = [...around.querySelectorAll("details")].indexOf(one);
      return [one.id || `${around.id}/${place}`, one];
    }));
  }

  /** Put in a newer report; what was open stays open, and the line that was read stays where it is. */
  function swap(report, body) {
    const open = [...folded(report)].filter(([, one]) => one.open).map(([name]) => name);
    const found = [...report.querySelectorAll("input[data-finds]")].map((input) => [input.dataset.finds, input.value]);
    const focused = report.contains(document.activeElement) ? address(document.activeElement) : "";
    const newer = new Set([...body.querySelectorAll("[id]")].map((one) => one.id));
    const stays = (one) => newer.has(one.id) && one.getClientRects().length && !one.closest(".margin"); // those stick
    const kept = [...report.querySelectorAll("[id]")].filter(stays);
    const line = nearest(kept);
    const before = line?.getBoundingClientRect().top;
    const read = report.getBoundingClientRect().top < 0; // else the part above it is what is looked at
    report.replaceChildren(...body.childNodes);
    const parts = folded(report);
    for (const name of open) if (parts.has(name)) parts.get(name).open = true;
    for (const [id, value] of found) {
      const input = report.querySelector(`input[data-finds="${CSS.escape(id)}"]`);
      if (input && value) { input.value = value; input.dispatchEvent(new Event("input", { bubbles: true })); }
    }
    const same = line && read && byId(line.id);
    if (same) scrollBy({ top: same.getBoundingClientRect().top - before, behavior: "instant" });
    if (focused) report.querySelector(focused)?.focus({ preventScroll: true });
    trialbed.show(report, JSON.parse(byId("charts").textContent));
  }

  /** The element that begins nearest to the upper edge of the view. */
  function nearest(elements) {
    const away = (one) => Math.abs(one.getBoundingClientRect().top);
    return elements.reduce((best, one) => (best && away(best) <= away(one) ? best : one), null);
  }

  /** A selector that finds an element's like in a newer report. */
  function address(element) {
    if (element.id) return `#${CSS.escape(element.id)}`;
    if (element.dataset.chart) return `[data-chart="${CSS.escape(element.dataset.chart)}"]`;
    for (const key of ["copies", "opens", "finds"]) {
      if (element.dataset[key]) return `[data-${key}="${CSS.escape(element.dataset[key])}"]`;
    }
    const around = element.closest("[id]");
    if (element.tagName === "A") return `a[href="${CSS.escape(element.getAttribute("href"))}"]`;
    return around && around.id !== "report" ? `#${CSS.escape(around.id)} ${element.tagName.toLowerCase()}` : "";
  }

  const form = byId("list");
  if (form) list(form);
  const section = byId("going-on");
  if (section) run(section);
})();

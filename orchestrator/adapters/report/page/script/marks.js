// Marks of charts: what each says is shown to the pointer, and told to whoever walks them by keys.

const HINT = "Arrow keys walk the marks";
const at = new WeakMap(); // plot -> [series, mark] where its reader stands

const tip = added("div", "tip");
tip.setAttribute("aria-hidden", "true"); // what it says is spoken by the other one
const spoken = added("p", "unseen");
spoken.setAttribute("role", "status");

function added(name, kind) {
  const element = document.createElement(name);
  element.className = kind;
  document.body.append(element);
  return element;
}

function hint(value, x, y) {
  tip.replaceChildren();
  tip.classList.toggle("shown", value !== null && value !== undefined && value !== "");
  if (!tip.classList.contains("shown")) return;
  for (const [name, what] of typeof value === "object" ? Object.entries(value) : [["", value]]) {
    const line = document.createElement("div");
    const label = document.createElement("span");
    label.textContent = name;
    line.append(label, document.createTextNode(String(what)));
    tip.append(line);
  }
  const room = tip.getBoundingClientRect();
  tip.style.left = `${Math.max(4, Math.min(x + 14, document.documentElement.clientWidth - room.width - 4))}px`;
  tip.style.top = `${y + 18 + room.height > window.innerHeight ? y - room.height - 10 : y + 18}px`;
}

function named(plot, { id, title }) {
  plot.tabIndex = 0;
  plot.setAttribute("role", "application");
  plot.setAttribute("aria-roledescription", "chart");
  plot.setAttribute("aria-label", `${title}. ${HINT}.`);
  plot.setAttribute("aria-describedby", `chart-${id}-says`);
  plot.dataset.hint = HINT;
  const ring = document.createElement("span");
  ring.className = "ring";
  plot.append(ring);
}

/** Series of marks that say something, each mark with its words and its box within the drawing; labels are no marks. */
function series(view) {
  const { left, top } = view.padding();
  const [dx, dy] = view.origin();
  const found = [];
  (function visit(mark, x, y) {
    const said = [];
    for (const item of mark.items ?? []) {
      if (mark.marktype === "group") {
        for (const inner of item.items ?? []) visit(inner, x + (item.x ?? 0), y + (item.y ?? 0));
      } else if (mark.role === "mark" && mark.marktype !== "text" && mark.aria !== false && item.description) {
        const { x1, y1, x2, y2 } = mark.marktype === "line" || mark.marktype === "area"
          ? { x1: item.x, x2: item.x, y1: item.y, y2: item.y } : item.bounds;
        said.push({ text: item.description, box: [x + x1, y + y1, x2 - x1, y2 - y1] });
      }
    }
    const again = found.some((known) => known.length === said.length && known[0].text === said[0].text);
    if (said.length && !again) found.push(said); // what is drawn in layers is said once
  })(view.scenegraph().root, left + dx, top + dy);
  return found;
}

function walk(event) {
  const plot = event.target.closest?.(".plot");
  const view = plot && drawings.get(plot);
  if (!view || event.altKey || event.ctrlKey || event.metaKey) return;
  const all = series(view);
  if (!all.length) return;
  const [line, mark] = at.get(plot) ?? [0, -1];
  if (event.key === "Escape") return leave(plot);
  const to = moved(event.key, line, mark, all);
  if (!to) return;
  event.preventDefault();
  at.set(plot, to);
  point(plot, all[to[0]][to[1]]);
}

/** Where a key leads: left and right from mark to mark, up and down from series to series, and to either end. */
function moved(key, line, mark, all) {
  const last = (series) => all[series].length - 1;
  switch (key) {
    case "ArrowRight": return mark < last(line) ? [line, mark + 1] : line < all.length - 1 ? [line + 1, 0] : [line, mark];
    case "ArrowLeft": return mark > 0 ? [line, mark - 1] : line > 0 ? [line - 1, last(line - 1)] : [line, 0];
    case "ArrowDown": return [Math.min(line + 1, all.length - 1), 0];
    case "ArrowUp": return [Math.max(line - 1, 0), 0];
    case "Home": return [line, 0];
    case "End": return [line, last(line)];
    default: return null;
  }
}

function point(plot, { text, box: [x, y, w, h] }) {
  const ring = plot.querySelector(".ring");
  ring.style.left = `${x - 4}px`;
  ring.style.top = `${y - 4}px`;
  ring.style.width = `${w + 8}px`;
  ring.style.height = `${h + 8}px`;
  ring.classList.add("shown");
  const frame = plot.getBoundingClientRect();
  hint(text, frame.left + x + w, frame.top + y + h);
  spoken.textContent = text;
}

function leave(plot) {
  plot.querySelector(".ring")?.classList.remove("shown");
  hint(null);
}

// Tables and texts are copied; folded parts are opened, found by their headings, and followed to.

/** A table as a spreadsheet takes it: unrounded figures, and no text that it would take for a formula. */
function copied(source) {
  if (source.tagName !== "TABLE") return source.textContent;
  const cell = (one) => one.dataset.value ?? one.textContent.replace(/\s+/g, " ").trim().replace(/^(?=[=+\-@])/, "'");
  return [...source.rows].map((row) => [...row.cells].map(cell).join("\t")).join("\n");
}

async function copy(button) {
  const source = document.getElementById(button.dataset.copies);
  const text = copied(source);
  try {
    await navigator.clipboard.writeText(text);
  } catch { // not allowed, or not there: the older way, and if that fails too the reader's own hand
    getSelection().selectAllChildren(source);
    const put = (event) => { event.clipboardData.setData("text/plain", text); event.preventDefault(); };
    document.addEventListener("copy", put);
    const done = document.execCommand("copy");
    document.removeEventListener("copy", put);
    if (!done) return say(button, "Selected: copy it by key");
    getSelection().removeAllRanges();
  }
  say(button, "Copied");
}

function say(button, words) {
  const before = (button.dataset.words ??= button.textContent);
  button.textContent = words;
  spoken.textContent = words;
  setTimeout(() => { button.textContent = before; }, 2000);
}

const parts = (id) => [...document.getElementById(id).querySelectorAll(":scope details.part")];

function openAll(button) {
  const all = parts(button.dataset.opens).filter((part) => !part.hidden);
  const open = all.some((part) => !part.open);
  for (const part of all) part.open = open;
  button.textContent = open ? "Close all" : "Open all";
}

function find(input) {
  const wanted = input.value.trim().toLowerCase();
  const all = parts(input.dataset.finds);
  for (const part of all) part.hidden = !part.firstElementChild.textContent.toLowerCase().includes(wanted);
  const shown = all.filter((part) => !part.hidden).length;
  input.closest(".tools").querySelector(".found").textContent = wanted ? `${shown} of ${all.length}` : "";
}

/** Open what the address points to, and everything around it. */
function follow() {
  const target = document.getElementById(location.hash.slice(1));
  if (!target) return;
  for (let one = target; one; one = one.parentElement) if (one.tagName === "DETAILS") one.open = true;
  target.scrollIntoView();
}

// What a page does beyond being read. Without it everything but the drawn charts is there. Texts are only ever set as
// text, never as markup. assets.py joins the files of this folder, this one last, into one script with one scope.

addEventListener("beforeprint", beforePrint);
addEventListener("afterprint", afterPrint);
addEventListener("hashchange", follow);
document.addEventListener("keydown", walk);
document.addEventListener("focusout", (event) => event.target.closest?.(".plot") && leave(event.target));
document.addEventListener("input", (event) => event.target.dataset.finds && find(event.target));
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (button?.dataset.copies) copy(button);
  if (button?.dataset.opens) openAll(button);
});

trialbed.show = show;
const kept = document.getElementById("charts");
if (kept) show(document.body, JSON.parse(kept.textContent));
follow();

// Draws each chart of the page from the data that stands beside it; the drawing made beforehand stays if
// that fails. Expressions are interpreted, not compiled, so that the page needs no right to run text as code.
const views = {};
window.drainledger = { views };
const options = {
  mode: "vega-lite",
  ast: true,
  actions: false,
  renderer: "svg",
  defaultStyle: false,
  tooltip: { disableDefaultStyle: true },
};
async function draw(place) {
  const name = place.dataset.chart;
  const spec = JSON.parse(document.getElementById(name + "-spec").textContent);
  const kept = Array.from(place.childNodes);
  // A place of its own within, for the library writes words of its own on whatever it draws into. The picture
  // as a whole has ours; mark by mark they would only stand in the way.
  const inside = document.createElement("div");
  inside.setAttribute("aria-hidden", "true");
  place.replaceChildren(inside);
  try {
    const drawn = await vegaEmbed(inside, spec, { ...options, renderer: place.dataset.renderer || "svg" });
    views[name] = drawn.view;
    place.dataset.drawn = "yes";
  } catch (error) {
    place.replaceChildren(...kept);
    place.dataset.drawn = "no";
    console.error("chart " + name + ": " + error);
  }
}
async function drawAll() {
  for (const place of document.querySelectorAll("[data-chart]")) await draw(place);
  performance.mark("drawn");
  document.documentElement.dataset.drawn = "all";
  document.dispatchEvent(new Event("drawn"));
}
drawAll();

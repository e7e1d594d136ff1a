const data = JSON.parse(document.getElementById("data").textContent);
let view;
const player = new Player(() => view && show());
const controls = new Controls(player);
const views = { "#named": new Named(data, player) };
if (data.trials) views["#blind"] = new Blind(data, player);

function show() {
  view.show();
  controls.show(view.name);
}

/** The address says which view is open, so that a reload keeps it. */
function enter() {
  const name = location.hash in views ? location.hash : "#named";
  for (const each of Object.keys(views)) document.querySelector(each).hidden = each !== name;
  for (const link of document.querySelectorAll("nav a"))
    if (link.hash === name) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  view = views[name];
  view.enter();
  show();
}

function follow() {
  if (player.run) {
    view.move();
    controls.move();
  }
  requestAnimationFrame(follow);
}

takeKeys(controls, () => view.list ?? { step() {}, hear() {} }, () => view.letters);
addEventListener("hashchange", enter);
addEventListener("pageshow", () => {
  enter();
  controls.turnDown();
});
enter();
follow();

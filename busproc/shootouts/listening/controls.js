const TAKES_KEYS = "select, input[type=number], [name=answer]";
const TAKES_ARROWS = "input[type=range], .heard input";
const TAKES_SPACE = "button, a, summary";

/** Play and stop, volume and loop; which sounds there are is the view's business. */
class Controls {
  constructor(player) {
    this.player = player;
    this.home = document.getElementById("playing");
    for (const id of ["play", "status", "position", "volume", "volume-db", "from", "to", "whole"])
      this[id] = document.getElementById(id);
    this.play.addEventListener("click", () => this.playOrStop());
    this.volume.addEventListener("input", () => this.turn());
    this.whole.addEventListener("click", () => player.mark(0, player.length_s));
    for (const end of [this.from, this.to])
      end.addEventListener("change", () => player.mark(Number(this.from.value), Number(this.to.value)));
  }

  /** Start quietly, also where the browser puts a page back as it was left. */
  turnDown() {
    this.volume.value = this.volume.defaultValue;
    this.turn();
  }

  playOrStop() {
    if (this.player.state === "stopped") this.player.play();
    else this.player.stop();
  }

  turn() {
    const volume_db = Number(this.volume.value);
    this.player.turnTo(volume_db);
    this["volume-db"].value = `${shown(volume_db, 0)} dB`;
    this.volume.setAttribute("aria-valuetext", `${volume_db} decibels`);
  }

  /** Show what the player does; `name` is what the view calls the sound that is heard. */
  show(name) {
    const { state, message, loop, length_s, names } = this.player;
    this.play.textContent = state === "stopped" ? "Play" : "Stop";
    this.home.hidden = !names.length;
    say(this.status, statusOf(state, message, name));
    this.from.value = Number(loop.from_s.toFixed(3));
    this.to.value = Number(loop.to_s.toFixed(3));
    this.from.max = this.to.max = Number(length_s.toFixed(3));
    this.move();
  }

  move() {
    this.position.textContent = `${this.player.place().toFixed(1)} s of ${this.player.length_s.toFixed(1)} s`;
  }
}

function statusOf(state, message, name) {
  if (state === "playing") return `Now hearing: ${name}`;
  if (state === "loading") return message ? `Loading sound ${message}` : "Loading";
  return message ? `Stopped: ${message}` : name ? `Stopped; chosen: ${name}` : "Stopped";
}

/** Speak once: a live region that is set to the same text again would be read out again. */
function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** A list of radio buttons whose marked one is heard. */
class HearingList {
  constructor(list, player, hear = (k) => player.hear(k)) {
    Object.assign(this, { player, choose: hear, boxes: [...list.querySelectorAll("input")] });
    list.addEventListener("change", (event) => hear(Number(event.target.value)));
  }

  hear(k) {
    const box = this.boxes[k];
    if (!box) return;
    if (this.boxes.includes(document.activeElement)) box.focus();
    box.scrollIntoView({ block: "nearest" });
    this.choose(k);
  }

  step(by) {
    const count = this.boxes.length;
    if (count) this.hear((this.player.heard + by + count) % count);
  }

  show() {
    for (const [k, box] of this.boxes.entries()) {
      const heard = k === this.player.heard;
      box.checked = heard;
      const row = box.closest("li");
      row.classList.toggle("on", heard);
      say(row.querySelector(".now"), heard && this.player.state === "playing" ? "now hearing" : "");
    }
  }
}

/** Keys work anywhere on the page, except where the element with the focus needs them itself. */
function takeKeys(controls, list, letters) {
  document.addEventListener("keydown", (event) => {
    const taken = (selector) => event.target.matches?.(selector);
    if (event.ctrlKey || event.metaKey || event.altKey || taken(TAKES_KEYS)) return;
    const { key } = event;
    const step = { ArrowLeft: -1, ArrowRight: 1 }[key];
    const k = /^[0-9]$/.test(key) ? (Number(key) + 9) % 10 : letters().indexOf(key.toUpperCase());
    if (key === " " && !taken(TAKES_SPACE)) event.repeat || controls.home.hidden || controls.playOrStop();
    else if (step && !taken(TAKES_ARROWS)) list().step(step);
    else if (k >= 0) list().hear(k);
    else return;
    event.preventDefault();
  });
}

const ASKED = {
  abx: {
    hear: ["A", "B", "X"],
    question: "X is one of the two. Which?",
    answers: { a: "X is A", b: "X is B" },
  },
  preference: {
    hear: ["1", "2"],
    question: "Which do you prefer?",
    answers: { first: "1", second: "2" },
  },
};
const HOW = `their number fixed beforehand. You hear sounds by letter or number only, in an order made by
chance, and are told nothing before the end. Switch as often as you like; an answer stands once you go on.`;
const KEEPS = "Your answers are kept in this browser until the end, also if the page is closed.";
const FORGETS = "This browser keeps nothing for this page: do not reload or close it before the end.";

/** Trials one after the other, without names, pictures or any word on how it goes. */
class Blind {
  constructor(data, player) {
    Object.assign(this, { data, player, plan: data.trials, name: "" });
    this.home = document.getElementById("trial");
    this.kept = new Kept(`busproc answers ${this.plan.plan_sha256}`, this.plan.trials);
    this.letters = [];
  }

  enter() {
    this.player.take([], 48000, 0);
    if (this.answers.length === this.plan.trials.length) this.end();
    else this.welcome();
  }

  get answers() {
    return this.kept.answers;
  }

  welcome() {
    const [count, done] = [this.plan.trials.length, this.answers.length];
    const begin = made("button", { type: "button" }, done ? `Continue with trial ${done + 1}` : "Begin");
    begin.addEventListener("click", () => this.next());
    this.letters = [];
    this.home.replaceChildren(
      made("p", {}, `${count} trial${count > 1 ? "s" : ""}, ${HOW}`),
      made("p", {}, this.kept.works ? KEEPS : FORGETS),
      begin,
    );
  }

  next() {
    this.trial = this.plan.trials[this.answers.length];
    if (!this.trial) return this.end();
    const { hear, question, answers } = ASKED[this.trial.kind];
    this.letters = hear.filter((each) => /[A-Z]/.test(each));
    const [count, done] = [this.plan.trials.length, this.answers.length];
    const heading = made("h3", { tabindex: -1 }, `Trial ${done + 1} of ${count}`);
    const progress = made("progress", { max: count, value: done, "aria-label": "Trials answered" });
    const list = made("ol", { class: "heard" }, ...hear.map(heardEntry));
    const place = this.data.songs[this.trial.song];
    const where = made("p", {}, `${place.name}: ${place.passages[this.trial.passage].name}`);
    const hearing = made("fieldset", {}, made("legend", {}, "What is heard"), list);
    this.home.replaceChildren(heading, progress, where, hearing, this.asked(question, answers));
    this.list = new HearingList(list, this.player, (k) => this.hear(k));
    this.takeSounds();
    heading.focus();
  }

  asked(question, answers) {
    const on = made("button", { type: "submit", disabled: "" }, "Answer and go on");
    const choices = Object.entries(answers).map(([value, text]) =>
      made("label", {}, made("input", { type: "radio", name: "answer", value }), made("span", {}, text)),
    );
    const asked = made("fieldset", { class: "answers" }, made("legend", {}, question), ...choices);
    const form = made("form", {}, asked, on);
    form.addEventListener("change", () => (on.disabled = false));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.take(new FormData(form).get("answer"));
    });
    return form;
  }

  takeSounds() {
    const { kind, song, passage, x } = this.trial;
    const { rate_hz, passages } = this.data.songs[song];
    const ids = kind === "abx" ? ["a", "b", x] : ["first", "second"];
    const known = this.data.variations.map((variation) => variation.id);
    const names = ids.map((each) => soundName(song, passage, known.indexOf(this.trial[each])));
    [this.name, this.switches, this.since] = ["", 0, performance.now()];
    this.player.take(names, rate_hz, passages[passage].frames);
  }

  hear(k) {
    if (this.player.state === "playing" && k !== this.player.heard) this.switches++;
    this.player.hear(k);
  }

  take(answer) {
    if (!answer) return;
    const seconds = Number(((performance.now() - this.since) / 1000).toFixed(1));
    this.kept.add({ trial: this.trial.number, answer, seconds, switches: this.switches });
    this.next();
  }

  end() {
    this.trial = this.list = null;
    this.letters = [];
    this.player.take([], 48000, 0);
    const save = made("button", { type: "button" }, "Save the answers");
    const again = made("button", { type: "button" }, "Forget these answers and begin again");
    save.addEventListener("click", () => this.save());
    again.addEventListener("click", () => (this.kept.forget(), this.welcome()));
    const command = made("code", {}, "busproc shootout --reveal ANSWERS --out FOLDER");
    const told = " with the saved file and the folder of this page: it says what was what, and what could be told apart.";
    const heading = made("h3", { tabindex: -1 }, `All ${this.plan.trials.length} trials are answered`);
    this.home.replaceChildren(
      heading,
      made("p", {}, save),
      made("p", {}, "Then run ", command, told),
      made("p", {}, again, " (for another listener)"),
    );
    heading.focus();
  }

  save() {
    const { shootout, plan_sha256 } = this.plan;
    const saved = { format: "busproc-answers/1", shootout, plan_sha256, answers: this.answers };
    const text = `${JSON.stringify(saved, null, 2)}\n`;
    const url = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    const named = shootout.replace(/[^\p{L}\p{N}]+/gu, "_").replace(/^_+|_+$/g, "") || "shootout";
    made("a", { href: url, download: `${named}.answers.json` }).click();
    setTimeout(() => URL.revokeObjectURL(url), 10_000);
  }

  show() {
    this.name = this.trial ? ASKED[this.trial.kind].hear[this.player.heard] : "";
    this.list?.show();
  }

  move() {}
}

function heardEntry(name, k) {
  const box = made("input", { type: "radio", name: "letter", value: k });
  const now = made("span", { class: "now", "aria-hidden": "true" });
  return made("li", {}, made("label", {}, box, made("strong", {}, name), " ", now));
}

/** Answers that outlive a reload, where the browser allows it. */
class Kept {
  constructor(key, trials) {
    this.key = key;
    this.works = true;
    this.answers = [];
    const found = this.tried(() => JSON.parse(localStorage.getItem(key)));
    const fits = (each, k) => each?.trial === trials[k]?.number;
    if (Array.isArray(found) && found.every(fits)) this.answers = found;
  }

  add(answer) {
    this.answers.push(answer);
    this.tried(() => localStorage.setItem(this.key, JSON.stringify(this.answers)));
  }

  forget() {
    this.answers = [];
    this.tried(() => localStorage.removeItem(this.key));
  }

  tried(act) {
    try {
      return act();
    } catch {
      this.works = false;
      return null;
    }
  }
}

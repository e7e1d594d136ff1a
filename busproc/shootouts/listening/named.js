/** The list of variations with their names and pictures. */
class Named {
  constructor(data, player) {
    Object.assign(this, { data, player, letters: [] });
    this.song = document.getElementById("song");
    this.passage = document.getElementById("passage");
    this.list = new HearingList(document.getElementById("variations"), player);
    this.pictures = new Pictures(document.getElementById("pictures"), data, player);
    this.song.addEventListener("change", () => this.takeSong());
    this.passage.addEventListener("change", () => this.takePassage());
  }

  enter() {
    this.takeSong(this.passage.value);
  }

  takeSong(passage = 0) {
    const { passages } = this.data.songs[this.song.value];
    const options = passages.map(({ name }, k) => made("option", { value: k }, name));
    this.passage.replaceChildren(...options);
    this.passage.value = passage < passages.length ? passage : 0;
    this.takePassage();
  }

  takePassage() {
    const [s, p] = [Number(this.song.value), Number(this.passage.value)];
    const { rate_hz, passages } = this.data.songs[s];
    const names = this.data.variations.map((_, v) => soundName(s, p, v));
    for (const [k, row] of document.querySelectorAll("#variations .gained").entries())
      row.textContent = gainedOf(this.data.variations[k], s, p);
    this.drawn = null;
    this.player.take(names, rate_hz, passages[p].frames, this.heard);
  }

  get name() {
    return this.data.variations[this.player.heard].name;
  }

  show() {
    const passage = this.data.songs[this.song.value].passages[this.passage.value];
    const k = (this.heard = this.player.heard);
    this.list.show();
    if (this.drawn !== k) this.pictures.draw(passage, k);
    this.drawn = k;
    this.pictures.mark();
  }

  move() {
    this.pictures.move();
  }
}

function gainedOf({ kind, gained_lu }, song, passage) {
  const lu = gained_lu[song][passage];
  return lu === null || kind === "untouched" ? "" : `Level gained before matching: ${shown(lu, 1, true)} LU`;
}

/** What the file of a sound is called; counted from 1. */
function soundName(song, passage, variation) {
  return [song, passage, variation].map((each) => each + 1).join("-");
}

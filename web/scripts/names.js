// Names in a drawing, shortened or on two rows where they are wider than their place.
export function short(text, room) {
  return text.length <= room ? text : `${text.slice(0, Math.max(1, room - 1)).trimEnd()}…`;
}

const pen = document.createElement("canvas").getContext("2d");
/** A name in one row or two, cut between words where it can be; what is still too wide is shortened. */
export function inRows(text, room, size, weight) {
  pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
  const fits = (said) => pen.measureText(said).width <= room;
  const cut = (said) => {
    let kept = said.length;
    while (kept > 1 && !fits(short(said, kept))) kept -= 1;
    return short(said, kept);
  };
  if (fits(text)) return [text];
  const spaces = [...text.matchAll(/ /g)].map((found) => found.index).filter((at) => fits(text.slice(0, at)));
  const at = spaces.length ? spaces[spaces.length - 1] : 0;
  return at > 0 ? [text.slice(0, at), cut(text.slice(at + 1))] : [cut(text)];
}

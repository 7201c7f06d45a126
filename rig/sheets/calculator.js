"use strict";
/* The calculator of a design sheet: force from a gap, or the gap for a force, from the curves of the pieces that the
   page carries. No network, no library. Means are exact on the piecewise linear curves; the ends of intervals are
   read between rows that were worked out when the page was made. */
(() => {
  const root = document.querySelector(".calculator");
  const data = JSON.parse(document.getElementById("calculator-data").textContent);
  const field = (name) => root.querySelector(`[name="${name}"]`);
  const output = root.querySelector("output");
  const MM = { mm: 1, in: 25.4 };
  const N = { N: 1, lbf: 4.4482216152605 };

  /** Value at x of a piecewise linear function; NaN outside, where nothing was measured. */
  const between = (x, xs, ys) => {
    const last = xs.length - 1;
    if (!(x >= xs[0] && x <= xs[last])) return NaN;
    let low = 0, high = last;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (xs[middle] <= x) low = middle; else high = middle;
    }
    if (xs[high] === xs[low]) return ys[low];
    return ys[low] + ((x - xs[low]) / (xs[high] - xs[low])) * (ys[high] - ys[low]);
  };
  const mean = (values) => values.reduce((sum, value) => sum + value, 0) / values.length;
  const digits = (value, step) => {
    const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    return value.toFixed(Math.min(places, 6));
  };
  const significant = (value) => (value === 0 ? "0" : digits(value, 10 ** (Math.floor(Math.log10(Math.abs(value))) - 3)));

  /* A piece is closed by its height less the gap; before contact it pushes with nothing. */
  const forceOf = (piece, gap) => {
    const closed = piece.height - gap;
    return closed <= piece.deflection[0] ? 0 : between(closed, piece.deflection, piece.force);
  };
  const gapOf = (piece, force) => piece.height - between(force, piece.force, piece.deflection);

  const chosen = () => {
    const group = data.groups[Number(field("group").value)];
    const piece = field("piece").value;
    return { group, pieces: piece === "" ? group.pieces : [group.pieces[Number(piece)]] };
  };

  const lines = [];
  const say = (text, kind = "") => lines.push([text, kind]);
  const show = () => {
    output.replaceChildren(...lines.map(([text, kind]) => {
      const line = document.createElement("p");
      line.textContent = text;
      line.className = kind;
      return line;
    }));
  };

  const number = (name) => {
    const text = field(name).value.trim().replace(",", ".");
    return text === "" ? null : Number(text);
  };

  const range = (low, high, unit, factor, step) =>
    `${digits(low / factor, step)} to ${digits(high / factor, step)} ${unit}`;

  function answer() {
    lines.length = 0;
    const { group, pieces } = chosen();
    const length = field("length-unit").value, force = field("force-unit").value;
    const lengthStep = length === "mm" ? 0.01 : 0.0005;
    const value = number("value");
    const known = field("known").value;
    root.querySelector(".value-unit").textContent = known === "gap" ? length : force;
    if (value === null) { say("Enter a value."); show(); return; }
    if (!(value > 0)) { say(`Found "${field("value").value}"; enter a number above zero.`, "refusal"); show(); return; }
    const whole = pieces.length > 1;
    let gap, newton;
    if (known === "gap") {
      gap = value * MM[length];
      const forces = pieces.map((piece) => forceOf(piece, gap));
      if (forces.some(Number.isNaN)) {
        const narrowest = Math.max(...pieces.map((piece) => piece.height - piece.deflection.at(-1)));
        say(`Not measured: these pieces were pressed to a gap of ${digits(narrowest / MM[length], lengthStep)} ${length}.`, "refusal");
        show(); return;
      }
      newton = mean(forces);
      say(`At a gap of ${digits(gap / MM[length], lengthStep)} ${length} the ${whole ? "mean force" : "force"} is ${significant(newton / N[force])} ${force}.`, "answer");
    } else {
      newton = value * N[force];
      const gaps = pieces.map((piece) => gapOf(piece, newton));
      if (gaps.some(Number.isNaN)) {
        const most = Math.min(...pieces.map((piece) => piece.force.at(-1)));
        say(`Not measured: the largest force that all these pieces reached is ${significant(most / N[force])} ${force}.`, "refusal");
        show(); return;
      }
      gap = mean(gaps);
      say(`Set the gap to ${digits(gap / MM[length], lengthStep)} ${length} for ${significant(newton / N[force])} ${force}.`, "answer");
    }
    if (whole) spread(group, known, gap, newton, length, force, lengthStep);
    else say("One piece: this answer does not include differences between pieces.");
    nip(pieces, gap, newton, length, force);
    show();
  }

  function spread(group, known, gap, newton, length, force, lengthStep) {
    const rows = known === "gap" ? group.at_gap : group.at_force;
    const x = known === "gap" ? gap : newton;
    const read = (name) => between(x, rows.x, rows[name].map((each) => (each === null ? NaN : each)));
    const unit = known === "gap" ? force : length, factor = known === "gap" ? N[force] : MM[length];
    const centre = known === "gap" ? newton : gap;
    const step = known === "gap" ? 10 ** (Math.floor(Math.log10(Math.abs(centre / factor) || 1)) - 3) : lengthStep;
    const low = centre - read("below"), high = centre + read("above");
    if (Number.isFinite(low) && Number.isFinite(high)) say(`95 % interval of the mean: ${range(low, high, unit, factor, step)}.`);
    const from = centre - read("pieces"), to = centre + read("pieces");
    if (Number.isFinite(from)) say(`${data.content} % of pieces: ${range(Math.max(from, 0), to, unit, factor, step)}.`);
    else say("Too few pieces for a range over pieces.");
  }

  function nip(pieces, gap, newton, length, force) {
    const diameter = number("wheel");
    if (diameter === null) return;
    const friction = number("friction");
    const R = (diameter * MM[length]) / 2, size = mean(pieces.map((piece) => piece.height)), r = size / 2;
    const d = size - gap;
    if (!(R > 0) || !(d > 0)) { say("The wheel needs a diameter above zero, and a gap smaller than the piece.", "refusal"); return; }
    const travel = 2 * Math.sqrt(d * (2 * R + 2 * r - d));
    say(`Wheel of diameter ${significant(diameter)} ${length} against a plate: a piece is squeezed over ${digits(travel / MM[length], length === "mm" ? 0.1 : 0.005)} ${length} of travel.`);
    if (friction === null) return;
    if (!(friction > 0)) { say("The coefficient of friction must be above zero.", "refusal"); return; }
    say(`Friction grips with ${significant((friction * newton) / N[force])} ${force} per side.`);
    const needed = Math.tan(Math.acos(Math.min(1, (R + r - d) / (R + r))) / 2);
    if (friction > needed) say(`The wheel draws the piece in by itself (this takes a coefficient of friction above ${needed.toFixed(2)}).`);
    else say(`Not drawn in: this takes a coefficient of friction above ${needed.toFixed(2)}. Push the piece in, widen the gap or use a larger wheel.`, "caution");
    say("A nip draws in fingers, hair and sleeves: guard it, and stop it before you reach in. A roller is faster than the platen that measured this, and not flat: make the gap adjustable.", "caution");
  }

  function pieces() {
    const options = data.groups[Number(field("group").value)].pieces.map((piece, place) => new Option(piece.name, String(place)));
    field("piece").replaceChildren(new Option("all pieces (mean)", ""), ...options);
  }

  data.groups.forEach((group, place) => field("group").append(new Option(group.name, String(place))));
  pieces();
  root.hidden = false;
  const changed = (event) => {
    if (event.target.name === "group" && event.type === "change") pieces();
    answer();
  };
  // some browsers tell of a choice in a list by one of these only
  root.addEventListener("input", changed);
  root.addEventListener("change", changed);
  root.addEventListener("submit", (event) => event.preventDefault());
  answer();
})();

// A number from spoken words: "eighty two point five", "one hundred and sixteen", "a hundred sixteen comma five", "one one
// six", "116,5". Null where it is no single number: nothing is guessed.
const UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"];
const TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"];
const LIKE = { oh: "zero", o: "zero", nought: "zero", nil: "zero", fourty: "forty", comma: "point", dot: "point", hundreds: "hundred" };
// said around a number and part of none
const ASIDE = new Set(["millimetre", "millimetres", "millimeter", "millimeters", "mm", "reading", "is"]);
const figure = (word) => (/^[0-9]$/.test(word) ? word : UNITS.indexOf(word) >= 0 && UNITS.indexOf(word) < 10 ? String(UNITS.indexOf(word)) : null);
// up to 999 in words, or figures one by one; null for words that do not follow each other in any number
const whole = (words) => {
  if (!words.length) return null;
  if (words.length === 1 && /^[0-9]+$/.test(words[0])) return words[0];
  const figures = words.map(figure);
  if (figures.every((one) => one !== null)) return figures.join("");
  const at = words.indexOf("hundred");
  let hundreds = 0, rest = words;
  if (at >= 0) {
    const before = at === 0 || (at === 1 && words[0] === "a") ? 1 : at === 1 ? Number(figure(words[0])) : 0;
    if (!before) return null;
    hundreds = before * 100;
    rest = words.slice(at + 1);
    if (rest[0] === "and") { rest = rest.slice(1); if (!rest.length) return null; }
    if (!rest.length) return String(hundreds);
  }
  const below = tens(rest);
  return below === null ? null : String(hundreds + below);
};
const tens = (words) => {
  const [first, second] = words;
  if (words.length === 1 && /^[1-9][0-9]?$/.test(first)) return Number(first);
  if (words.length === 1 && UNITS.includes(first)) return UNITS.indexOf(first);
  if (!TENS.includes(first)) return null;
  const ten = (TENS.indexOf(first) + 2) * 10;
  if (words.length === 1) return ten;
  const one = words.length === 2 ? figure(second) : null;
  return one === null || one === "0" ? null : ten + Number(one);
};
const numberOf = (said) => {
  const plain = said.trim().toLowerCase().replace(/([0-9]),([0-9]{1,2})(?![0-9])/g, "$1.$2").replace(/([0-9])\.([0-9])/g, "$1 point $2");
  const words = plain.split(/[\s-]+/).map((word) => word.replace(/[.,!?]+$/, "")).filter(Boolean).map((word) => LIKE[word] || word).filter((word) => !ASIDE.has(word));
  const minus = words[0] === "minus";
  if (minus) words.shift();
  const point = words.indexOf("point");
  if (point < 0) { const made = whole(words); return made === null ? null : (minus ? "-" : "") + made; }
  const before = point === 0 ? "0" : whole(words.slice(0, point)), after = words.slice(point + 1);
  const behind = after.length === 1 && /^[0-9]+$/.test(after[0]) ? after[0] : after.map(figure).includes(null) || !after.length ? null : after.map(figure).join("");
  return before === null || behind === null ? null : `${minus ? "-" : ""}${before}.${behind}`;
};
// what a word after a number does: it confirms, or it takes back; "next" is what the key is called
const YES = new Set(["yes", "next", "right", "correct", "ok", "okay"]), NO = new Set(["no", "wrong", "back", "again", "correction"]);
const plainWord = (said) => said.trim().toLowerCase().replace(/[.!?]+$/, "");
// One thing heard after another, given the number that waits to be confirmed ("" for none): what to do about it.
const heard = (said, waiting) => {
  const word = plainWord(said);
  if (YES.has(word)) return waiting ? { enter: waiting } : { say: "No reading yet." };
  if (NO.has(word)) return { clear: true, say: "Taken back. Say the reading." };
  if (word === "not readable" || word === "cannot be read") return { take: "-", say: "Not readable. Next?" };
  if (word === "stop" || word === "stop listening") return { stop: true };
  const number = numberOf(said);
  return number === null ? { say: "Not understood. Say the reading again." } : { take: number, say: `${number.replace(".", " point ")}. Next?` };
};
// why the browser cannot listen here; "" where it can
const deaf = (secure, Listener) => {
  if (!secure) return "Speaking readings needs the page over https, or on the machine itself: start with --https.";
  return Listener ? "" : "This browser cannot listen to readings.";
};
window.spoken = { numberOf, heard, deaf };

const $ = (id) => document.getElementById(id);
const Listener = window.SpeechRecognition || window.webkitSpeechRecognition;
const why = deaf(window.isSecureContext, Listener);
$("no-listening").textContent = why;
$("listening").hidden = Boolean(why);
if (!why) {
  const speaker = window.speechSynthesis;
  let ear = null, waiting = "", speaking = false;
  const say = (text) => {
    $("heard").textContent = text;
    if (!speaker) return;
    speaker.cancel();
    const words = new SpeechSynthesisUtterance(text);
    // the page does not listen to itself
    speaking = true;
    words.onend = () => { speaking = false; };
    words.onerror = words.onend;
    // some browsers never say that they are done
    setTimeout(words.onend, 4000);
    speaker.speak(words);
  };
  const act = (text) => {
    if (speaking) return;
    const made = heard(text, waiting);
    if (made.stop) { $("listen").checked = false; off(); return; }
    if (made.clear) { waiting = ""; window.reading.type(""); }
    if (made.take !== undefined) { waiting = made.take; window.reading.type(made.take); }
    if (made.enter !== undefined) { waiting = ""; window.reading.next(); return; }
    if (made.say) say(made.say);
  };
  const off = () => { const was = ear; ear = null; waiting = ""; if (was) was.stop(); $("heard").textContent = "Not listening."; };
  const on = () => {
    ear = new Listener();
    Object.assign(ear, { continuous: true, interimResults: false, lang: "en" });
    // where the browser has ears of its own, nothing leaves the phone
    if ("processLocally" in ear) ear.processLocally = $("own-ears").checked;
    ear.onresult = (event) => { for (let k = event.resultIndex; k < event.results.length; k += 1) if (event.results[k].isFinal) act(event.results[k][0].transcript); };
    ear.onerror = (event) => {
      if (event.error === "no-speech" || event.error === "aborted") return;
      $("listen").checked = false;
      off();
      $("heard").textContent = {
        "not-allowed": "The browser was not allowed to listen.",
        network: "Listening needs a connection in this browser.",
        "language-not-supported": "This device cannot turn English into words by itself. Untick “only on this phone” if the sound may go out.",
      }[event.error] || `Listening stopped: ${event.error}.`;
    };
    // a pause ends it: it goes on until the box is unticked
    ear.onend = () => { if (ear) ear.start(); };
    ear.start();
    say("Listening. Say the reading.");
  };
  $("own-ears-line").hidden = !("processLocally" in Listener.prototype);
  $("listen").addEventListener("change", () => ($("listen").checked ? on() : off()));
  $("own-ears").addEventListener("change", () => { if (ear) { off(); on(); } });
  window.addEventListener("reading-shown", () => { waiting = ""; });
}

// Texts put into the language that the reader chose, by the rules of routekit/words/texts.py.
// What a page says is English in its script, and a message of the catalogues: `say`, `sayMany` and
// `word` take English and give the chosen language; `put` does so with a statement of the data.

/** @typedef {{language: string, decimal: string, thousands: string, thousands_from: number,
 *   first_day: string, day: string, months: string[], forms: Record<string, number>,
 *   messages: Record<string, string[]>}} Tongue */

/** @type {Tongue} */
let tongue = {
  language: "en",
  decimal: ".",
  thousands: ",",
  thousands_from: 1000,
  first_day: "{d}",
  day: "{d} {m} {y}",
  months: [],
  forms: { one: 0, other: 1 },
  messages: {},
};

/** @param {Tongue} words from `routekit.words.catalogue.pack_words` */
function chooseTongue(words) {
  tongue = words;
}

/**
 * Find the sentence of a message; English where it is not translated.
 * @param {string} one
 * @param {string} many blank where no number decides
 * @param {string} context
 * @param {any} count
 */
function findSentence(one, many, context, count) {
  const found = tongue.messages[context ? `${context}\n${one}` : one];
  if (!many) return found ? found[0] : one;
  const number = Number(String(typeof count === "object" ? count.n : count).replaceAll(",", ""));
  if (!found) return number === 1 ? one : many;
  return found[tongue.forms[new Intl.PluralRules(tongue.language).select(number)]];
}

/**
 * Write a number of an English text, such as 1,234.5, with the signs of the language.
 * @param {string} english
 */
function writeNumber(english) {
  const plain = english.replaceAll(",", "");
  if (!/^-?\d+(\.\d+)?$/.test(plain)) return english;
  const [whole, part] = plain.split(".");
  const isApart = english.includes(",") && Math.abs(Number(plain)) >= tongue.thousands_from;
  const grouped = isApart ? whole.replace(/\B(?=(\d{3})+$)/g, tongue.thousands) : whole;
  return part === undefined ? grouped : `${grouped}${tongue.decimal}${part}`;
}

/**
 * Formats of numbers by their fixed decimals; making one takes a thousand times as long as its use.
 * @type {Map<number | undefined, Intl.NumberFormat>}
 */
const formats = new Map();

/**
 * Write a number as English does.
 * @param {number} value
 * @param {number} [decimals] fixed; else up to three
 */
function writeEnglish(value, decimals) {
  let format = formats.get(decimals);
  if (!format) {
    format = new Intl.NumberFormat("en-GB", { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
    formats.set(decimals, format);
  }
  return format.format(value);
}

/**
 * Write a number of the data with fixed decimals.
 * @param {number} value
 * @param {number} decimals
 */
const sayNumber = (value, decimals = 0) => writeNumber(writeEnglish(value, decimals));

/** @param {string} text */
const raiseFirst = (text) => text.slice(0, 1).toLocaleUpperCase(tongue.language) + text.slice(1);

/**
 * Put a statement into words: plain text, {n: number}, [sentence, values, plural, context],
 * ["", {sep, parts}] for several, ["^", {t}] for one that begins with a capital.
 * @param {any} said
 * @returns {string}
 */
function put(said) {
  if (typeof said === "number") return writeNumber(writeEnglish(said));
  if (typeof said === "string") return said;
  if (!Array.isArray(said)) return writeNumber(String(said.n));
  const [one, values = {}, many = "", context = ""] = said;
  if (one === "") return values.parts.map(put).join(values.sep);
  if (one === "^") return raiseFirst(put(values.t));
  return findSentence(one, many, context, values.n)
    .replace(/\{(\w+)\}/g, (/** @type {string} */ _, /** @type {string} */ slot) =>
      put(values[slot]));
}

/**
 * Put a column `..._words` of the data into words: JSON of a statement, or blank.
 * @param {string | null} json
 */
const putWords = (json) => (json ? put(JSON.parse(json)) : "");

/**
 * Say a sentence. Slots are filled with texts as they stand, and with numbers written as English
 * writes them (whole numbers) or as `sayNumber` gives them.
 * @param {string} sentence a literal: the catalogues know it by its English
 * @param {Record<string, any>} values
 */
const say = (sentence, values = {}) => put([sentence, values]);

/**
 * Say a sentence in singular or plural, by the number `n`.
 * @param {string} one
 * @param {string} many
 * @param {Record<string, any>} values
 */
const sayMany = (one, many, values) => put([one, values, many]);

/**
 * Say a word of a list of the package, such as a technique or a verdict. Names of checks stand in
 * the catalogues with a small first letter.
 * @param {string} english
 * @param {string} context
 */
function word(english, context = "") {
  const said = findSentence(english, "", context, 0);
  if (said !== english) return said;
  const small = english.slice(0, 1).toLowerCase() + english.slice(1);
  const within = findSentence(small, "", context, 0);
  return within === small ? english : raiseFirst(within);
}

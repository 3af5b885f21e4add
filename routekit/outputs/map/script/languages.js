// The language of the page: asked for by `?language=` in the address, else that of the study. What
// the template says carries its statement in `data-say`, or `data-say-label` for its name alone.

const firstLanguage = document.documentElement.lang;
const ENGLISH = tongue;

function askedLanguage() {
  const code = new URLSearchParams(window.location.search).get("language") ?? "";
  return hasLanguage(code) ? code : firstLanguage;
}

function hasLanguage(code) {
  return [...byId("language").options].some((option) => option.value === code);
}

const wordsOf = async (code) => (code === ENGLISH.language ? ENGLISH : (await inflate(`words-${code}`)).content);

function speak(words) {
  chooseTongue(words);
  document.documentElement.lang = words.language;
  byId("language").value = words.language;
  sayTemplate();
}

function sayTemplate() {
  for (const part of document.querySelectorAll("[data-say]")) {
    part.replaceChildren(...[tell(JSON.parse(part.getAttribute("data-say") ?? ""))].flat());
  }
  for (const part of document.querySelectorAll("[data-say-label]")) {
    part.setAttribute("aria-label", putWords(part.getAttribute("data-say-label")));
  }
}

// What an address asks for, so that a sheet opens in the language that its reader chose.
const languageQuery = (code) => (code === firstLanguage ? "" : `?language=${code}`);

// The address keeps the language, so that a page opened again or sent on speaks it too.
function keepLanguage(code) {
  try {
    window.history.replaceState(null, "", window.location.pathname + languageQuery(code) + window.location.hash);
  } catch {
    // A page that may not change its own address speaks the language until it is closed.
  }
}

/** @param {() => void} sayAgain says what the scripts of the page have written */
async function openLanguages(sayAgain) {
  byId("tongue").hidden = false;
  byId("language").addEventListener("change", async (event) => {
    const code = event.target.value;
    const words = await wordsOf(code);
    // Another may have been chosen meanwhile.
    if (byId("language").value !== code) return;
    speak(words);
    keepLanguage(code);
    sayAgain();
  });
  speak(await wordsOf(askedLanguage()));
}

// A page of some of the streets: it leads back to the index, and opens in the language chosen there.

function greet(_, watcher) {
  watcher.disconnect();
  const links = document.querySelectorAll(".back a");
  const code = askedLanguage();
  carryLanguage(links, code);
  if (code !== document.documentElement.lang) speak(code);
  byId("language").addEventListener("change", (event) => carryLanguage(links, event.target.value));
}

new MutationObserver(greet).observe(document.documentElement, { attributeFilter: ["data-ready"] });

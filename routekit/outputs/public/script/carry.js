// A reader who goes from page to page of a divided study keeps the chosen language.

function askedLanguage() {
  const code = new URLSearchParams(location.search).get("language") ?? "";
  return Object.hasOwn(page.languages, code) ? code : browserLanguage();
}

function carryLanguage(links, code) {
  for (const link of links) link.search = code === browserLanguage() ? "" : `?language=${code}`;
}

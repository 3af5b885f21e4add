// How a reader gives a number to the council.

const contactKind = () => {
  if (!page.contact) return "none";
  return page.contact.startsWith("https://") ? "web" : "mail";
};

// The link names what is written about; its message carries the number.
function fillLink(link, number, subject) {
  const spell = (text) => encodeURIComponent(text);
  if (contactKind() === "web") {
    link.href = page.contact.replaceAll("{number}", spell(number));
    return;
  }
  const about = spell(ui("subject", subject));
  link.href = `mailto:${spell(page.contact).replaceAll("%40", "@")}?subject=${about}&body=${about}`;
}

function nameLink(kind, number) {
  if (kind === "tree") return words.ui.about_tree;
  return ui(contactKind() === "web" ? "form" : "write", number);
}

function askBox(kind, number, title) {
  const box = make("div", { class: "ask" });
  const intro = make("p", { id: "ask-intro" }, words.ui[`ask_${contactKind()}`]);
  const field = make("input", { readonly: "", value: number, "aria-labelledby": "ask-intro", class: "number" });
  const copy = make("button", { type: "button" }, words.ui.copy);
  const heard = make("span", { role: "status" });
  copy.addEventListener("click", async () => {
    field.select();
    try {
      await navigator.clipboard.writeText(number);
      heard.textContent = words.ui.copied;
    } catch {
      heard.textContent = words.ui.select;
    }
  });
  box.append(intro, field, copy, heard);
  if (contactKind() !== "none") {
    const link = make("a", { class: "write", rel: "noreferrer" }, nameLink(kind, number));
    fillLink(link, number, title);
    box.append(link);
  }
  return box;
}

// Firefox through WebDriver BiDi: reads visits as JSON from standard input, tells what was seen.
// A visit is {address, width, height, steps}; a step has one of click, press, wait, ask, point.
const { createRequire } = require("node:module");
const { text } = require("node:stream/consumers");

const load = createRequire(`${process.env.ROUTEKIT_NODE_MODULES}/`);
const puppeteer = load("puppeteer-core");
// A proxy that never answers.
const NOWHERE = {
  "network.proxy.type": 1,
  "network.proxy.http": "127.0.0.1",
  "network.proxy.http_port": 9,
  "network.proxy.ssl": "127.0.0.1",
  "network.proxy.ssl_port": 9,
};
// Bounds what fails; a busy machine may take its time to start a browser.
const PATIENCE = { polling: 50, timeout: 120_000 };

const actions = {
  click: (page, selector) => page.click(selector),
  press: async (page, [selector, words]) => {
    await page.focus(selector);
    await page.keyboard.type(words);
    await page.keyboard.press("Enter");
  },
  point: async (page, expression) => {
    const [x, y] = await page.evaluate(expression);
    await page.mouse.move(x, y);
    await page.mouse.click(x, y);
  },
  wait: (page, expression) => poll(page, expression),
  ask: (page, expression) => page.evaluate(expression),
};

// The policy of the pages forbids the library's own way of waiting, which makes a function of text.
async function poll(page, expression) {
  const end = Date.now() + PATIENCE.timeout;
  while (!(await page.evaluate(expression))) {
    if (Date.now() > end) throw new Error(`never true: ${expression}`);
    await new Promise((resolve) => setTimeout(resolve, PATIENCE.polling));
  }
}

async function make(browser, visit) {
  const page = await browser.newPage();
  const seen = { answers: [], asked: [], complaints: [] };
  page.on("request", (request) => seen.asked.push(request.url()));
  page.on("pageerror", (error) => seen.complaints.push(error.message));
  page.on("console", (said) => {
    if (["error", "warn", "warning"].includes(said.type())) seen.complaints.push(said.text());
  });
  page.setDefaultTimeout(PATIENCE.timeout);
  await page.setViewport({ width: visit.width, height: visit.height });
  await page.goto(visit.address);
  for (const step of visit.steps) {
    const [[name, what]] = Object.entries(step);
    const answer = await actions[name](page, what);
    if (name === "ask") seen.answers.push(answer);
  }
  if (visit.picture) await page.screenshot({ path: visit.picture });
  await page.close();
  return seen;
}

async function main() {
  const { program, visits } = JSON.parse(await text(process.stdin));
  const browser = await puppeteer.launch({
    browser: "firefox",
    executablePath: program,
    headless: true,
    timeout: PATIENCE.timeout,
    // Nothing of the browser itself asks the network either.
    extraPrefsFirefox: NOWHERE,
  });
  try {
    const all = [];
    for (const visit of visits) all.push(await make(browser, visit));
    process.stdout.write(JSON.stringify(all));
  } finally {
    await browser.close();
  }
}

main().catch((error) => {
  console.error(error);
  process.exit(1);
});

// What the drivers of our pages share: a visit that complains of whatever is blocked, thrown or popped up, and a page held against
// html-validate, axe-core and its window.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { createServer } from "node:net";
import { join } from "node:path";
import { HtmlValidate, StaticConfigLoader } from "html-validate";

/** Milliseconds for anything that is waited for. */
export const PATIENCE = 120_000;
export const phone = { width: 390, height: 844 };
export const desktop = { width: 1280, height: 900 };
export const wrong = [];
export const expect = (holds, words) => { if (!holds) wrong.push(words); };

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const validator = new HtmlValidate(new StaticConfigLoader({
  extends: ["html-validate:recommended"],
  rules: {
    "long-title": "off",
    "no-trailing-whitespace": "off",
    "prefer-native-element": "off", // role=group on a scrolled stretch, role=status on a paragraph.
    "meta-refresh": "off", // It stands in noscript: who has scripts on never meets it.
    "require-sri": "off", // The script is of the same origin.
  },
}));

export const freePort = () => new Promise((resolve) => {
  const server = createServer().listen(0, "127.0.0.1", () => {
    const { port } = server.address();
    server.close(() => resolve(port));
  });
});

/** Waits until something answers at `origin`. */
export async function answers(origin) {
  for (const end = Date.now() + PATIENCE; Date.now() < end;) {
    try {
      return await fetch(origin);
    } catch {
      await new Promise((resolve) => { setTimeout(resolve, 200); });
    }
  }
  throw new Error("nobody answers");
}

/** A context whose pages complain of whatever is blocked, thrown or popped up. */
export async function visit(browser, origin, options) {
  const context = await browser.newContext(options);
  context.setDefaultTimeout(PATIENCE);
  const page = await context.newPage();
  page.on("console", (message) => {
    // A page of a problem has its status, and the browser tells that as an error.
    if (message.type() === "error" && !message.text().includes("status of")) wrong.push(`console: ${message.text()}`);
  });
  page.on("pageerror", (error) => wrong.push(`script: ${error.message}`));
  page.on("dialog", (dialog) => {
    wrong.push(`a foreign script ran at ${page.url()}`);
    void dialog.dismiss();
  });
  page.on("request", (request) => {
    if (!request.url().startsWith(origin)) wrong.push(`asks for ${request.url()}`);
  });
  return page;
}

export async function signIn(page, origin, token) {
  await page.goto(`${origin}/`);
  expect(page.url() === `${origin}/sign-in`, `without a visit one sees ${page.url()}`);
  await page.getByLabel("Token").fill(token);
  await page.getByRole("button", { name: "Sign in" }).click();
}

/** Validator, accessibility engine and width. */
export async function check(page, name, pictures) {
  if (pictures) await page.screenshot({ path: join(pictures, `${name}.png`), fullPage: true });
  const response = await page.context().request.get(page.url());
  const report = await validator.validateString(await response.text(), name);
  for (const message of report.results.flatMap((result) => result.messages)) {
    wrong.push(`${name}:${message.line}:${message.column}: ${message.ruleId}: ${message.message}`);
  }
  const [inner, outer] = await page.evaluate(() => [document.documentElement.scrollWidth, window.innerWidth]);
  expect(inner <= outer, `${name}: ${inner} wide in a window of ${outer}`);
  // The engine is put in from outside the page, where its policy has no say.
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, {
    runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"],
  }));
  for (const violation of found.violations) {
    const places = violation.nodes.slice(0, 2).map((node) => `${node.html.slice(0, 140)} ${node.failureSummary?.slice(0, 200)}`);
    wrong.push(`${name}: ${violation.id}: ${violation.help}: ${places.join(" | ")}`);
  }
}

/** Drives until the end or the first thing that stands in the way; then tells what is wrong and ends. */
export async function report(what, browser, drive) {
  try {
    await drive();
  } catch (error) {
    wrong.push(String(error.stack));
    // What was to be seen then says more than what was waited for.
    for (const page of browser.contexts().flatMap((context) => context.pages())) {
      const text = await page.locator("main").innerText({ timeout: 5000 }).catch(String);
      wrong.push(`${page.url()} shows: ${text.slice(0, 600)}`);
    }
  }
  await browser.close();
  for (const line of wrong) console.log(line);
  console.log(`${what} driven, ${wrong.length} complaints`);
  return wrong.length > 0 ? 1 : 0;
}

// Drives the pages of a running service with Chromium: signs in, starts and stops a short run by clicking, sees it change by
// itself, with scripts off too, at desktop and phone width; every page held against html-validate and axe-core. On an invented
// machine, on loopback. usage: node site.mjs PROGRAM MACHINE BROWSER [PICTURES]
import { spawn } from "node:child_process";
import { cpSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { HtmlValidate, StaticConfigLoader } from "html-validate";
import { chromium } from "playwright-core";

const [program, machine, browserPath, pictures] = process.argv.slice(2);
const TOKEN = "dG9rZW4gb2YgYSB0ZXN0IHRoYXQgZW5kcw";
const PATIENCE = 120_000;
const HOSTILE = "<img src=x onerror=alert(1)><script>alert(2)</script>";
const wrong = [];
const expect = (holds, words) => { if (!holds) wrong.push(words); };

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

const freePort = () => new Promise((resolve) => {
  const server = createServer().listen(0, "127.0.0.1", () => {
    const { port } = server.address();
    server.close(() => resolve(port));
  });
});

const folder = mkdtempSync(join(tmpdir(), "soakproof-site-"));
const port = await freePort();
const origin = `http://127.0.0.1:${port}`;
cpSync(machine, join(folder, "machine"), { recursive: true });
mkdirSync(join(folder, "machine/proc"), { recursive: true });
writeFileSync(join(folder, "machine/proc/uptime"), "7200.00 1000.00\n");
writeFileSync(join(folder, "token"), TOKEN, { mode: 0o600 });
writeFileSync(join(folder, "soakproof.toml"), `[service]\nlisten = "127.0.0.1:${port}"\ntoken-file = "${folder}/token"\n`);
const service = spawn(program, ["serve", "--machine", join(folder, "machine"), "--notice", "1s", "--settle", "1s"], {
  stdio: ["ignore", "ignore", "ignore"],
  env: {
    ...process.env, SOAKPROOF_STORE: join(folder, "store"), SOAKPROOF_SOCKET: join(folder, "socket"),
    SOAKPROOF_CONFIG: join(folder, "soakproof.toml"),
  },
});

async function answers() {
  for (const end = Date.now() + PATIENCE; Date.now() < end;) {
    try {
      return await fetch(origin);
    } catch {
      await new Promise((resolve) => { setTimeout(resolve, 200); });
    }
  }
  throw new Error("the service does not answer");
}

/** A context whose pages complain of whatever is blocked, thrown or popped up. */
async function visit(browser, options) {
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

async function signIn(page, token = TOKEN) {
  await page.goto(`${origin}/`);
  expect(page.url() === `${origin}/sign-in`, `without a visit one sees ${page.url()}`);
  await page.getByLabel("Token").fill(token);
  await page.getByRole("button", { name: "Sign in" }).click();
}

/** Validator, accessibility engine and width. */
async function check(page, name) {
  if (pictures) await page.screenshot({ path: join(pictures, `site-${name}.png`), fullPage: true });
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

const left = (page) => page.locator('[data-part="answers"] dd').nth(1).textContent();

async function changes(page, what) {
  const before = await left(page);
  await page.waitForFunction((known) => {
    const now = document.querySelectorAll('[data-part="answers"] dd')[1];
    return now && now.textContent !== known;
  }, before).catch(() => wrong.push(`${what}: nothing changes`));
}

const phone = { width: 390, height: 844 };
const desktop = { width: 1280, height: 900 };

async function drive(browser) {
  const page = await visit(browser, { viewport: desktop });
  await signIn(page, `${TOKEN}x`);
  expect(await page.getByRole("alert").textContent() === "the token is another one", "a wrong token is not told");
  await check(page, "sign-in");
  await signIn(page);
  await page.getByRole("heading", { name: "No run is under way" }).waitFor();
  await check(page, "idle");

  // Past the cautions, with the keyboard alone.
  await page.getByRole("link", { name: "Start or queue a run" }).press("Enter");
  await page.getByText("limits of the makers").waitFor();
  await check(page, "start");
  // Ten minutes are never run: on a slow machine one minute would end before all was looked at.
  await page.getByLabel(/^recheck/).press("Space");
  await page.getByLabel("Note").fill(HOSTILE);
  await page.getByRole("button", { name: "Start it now" }).press("Enter");
  expect(page.url() === `${origin}/start`, "a run starts although nobody said that work is saved");
  await page.getByLabel(/^Work on that machine/).press("Space");
  await page.getByRole("button", { name: "Start it now" }).press("Enter");

  await page.waitForURL(`${origin}/`);
  await page.getByRole("heading", { name: /^Run 1: recheck/ }).waitFor();
  await page.evaluate(() => { window.unmoved = true; });
  await page.locator("svg").first().waitFor();
  await changes(page, "with scripts");
  expect(await page.evaluate(() => window.unmoved === true), "the page was loaded anew instead of being changed");
  await check(page, "run-desktop-light");
  await page.emulateMedia({ colorScheme: "dark" });
  await check(page, "run-desktop-dark");

  const still = await visit(browser, { viewport: phone, javaScriptEnabled: false });
  await signIn(still);
  await still.getByRole("heading", { name: /^Run 1: recheck/ }).waitFor();
  const before = await left(still);
  // The page loads itself anew; each look is at the document of that moment.
  for (const end = Date.now() + PATIENCE; await left(still) === before; await still.waitForTimeout(500)) {
    if (Date.now() > end) {
      wrong.push("without scripts: nothing changes");
      break;
    }
  }
  if (pictures) await still.screenshot({ path: join(pictures, "site-run-phone-still.png"), fullPage: true });

  const small = await visit(browser, { viewport: phone, isMobile: true, hasTouch: true });
  await signIn(small);
  await small.locator("svg").first().waitFor();
  await check(small, "run-phone-light");
  await small.goto(`${origin}/runs/1`);
  await check(small, "so-far-phone-light");

  // The question comes first, and no leaves the run alone.
  await page.getByRole("link", { name: "Stop this run" }).click();
  await page.getByRole("heading", { name: "Stop run 1?" }).waitFor();
  await check(page, "stop");
  await page.getByRole("link", { name: "No, let it run" }).click();
  await page.getByRole("heading", { name: /^Run 1: recheck/ }).waitFor();
  await page.getByRole("link", { name: "Stop this run" }).click();
  const onlooker = await visit(browser, { viewport: desktop });
  await signIn(onlooker);
  await onlooker.getByRole("heading", { name: /^Run 1: recheck/ }).waitFor();
  await page.getByRole("button", { name: "Stop it", exact: true }).click();
  await onlooker.getByRole("heading", { name: "No run is under way" }).waitFor();
  await onlooker.getByText("No run is under way.", { exact: true }).waitFor();
  await onlooker.getByRole("link", { name: "run 1" }).click();
  await onlooker.getByRole("heading", { name: "Course of the run" }).waitFor();
  await check(onlooker, "report-desktop");
  await page.goto(`${origin}/runs/1/note`);
  await check(page, "note");
  await page.getByLabel("Your words").fill(HOSTILE);
  await page.getByRole("button", { name: "Keep it" }).click();
  await page.getByText("Noted:").waitFor();
  expect((await page.getByText("Noted:").textContent()).includes(HOSTILE), "a note is not shown as it was written");

  await small.goto(`${origin}/queue`);
  await small.getByRole("button", { name: /^Pause/ }).click();
  for (const suite of [/^smoke/, /^recheck/]) {
    await small.getByRole("link", { name: "Start or queue a run" }).click();
    await small.getByLabel(suite).check();
    await small.getByLabel(/^Work on that machine/).check();
    await small.getByRole("button", { name: "Put it into the queue" }).click();
    await small.waitForURL(`${origin}/queue`);
  }
  await check(small, "queue-phone");
  await small.getByRole("button", { name: "Job 3: forward" }).click();
  const waiting = () => small.locator("tbody tr", { hasText: "paused" }).locator("th").allTextContents();
  expect((await waiting()).join() === "3,2", `after the move: ${await waiting()}`);
  for (const job of [2, 3]) await small.getByRole("button", { name: `Job ${job}: take out` }).click();
  await small.getByRole("button", { name: "End the pause" }).click();
  expect(await small.getByText("Nothing starts").count() === 0, "the pause goes on");
  for (const name of ["runs", "ledger", "machine"]) {
    await small.goto(`${origin}/${name}`);
    await check(small, `${name}-phone`);
    await page.goto(`${origin}/${name}`);
    await check(page, `${name}-desktop`);
  }
  await page.goto(`${origin}/runs/99`);
  await check(page, "problem");

  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(`${origin}/sign-in`);
  await page.goto(`${origin}/runs`);
  expect(page.url() === `${origin}/sign-in`, "signed out, and still in");
}

let browser;
try {
  await answers();
  browser = await chromium.launch({ executablePath: browserPath, args: ["--no-sandbox"] });
  await drive(browser);
} catch (error) {
  wrong.push(String(error.stack));
  // What was to be seen then says more than what was waited for.
  for (const page of browser?.contexts().flatMap((context) => context.pages()) ?? []) {
    const text = await page.locator("main").innerText({ timeout: 5000 }).catch(String);
    wrong.push(`${page.url()} shows: ${text.slice(0, 600)}`);
  }
} finally {
  await browser?.close();
  service.kill("SIGTERM");
  rmSync(folder, { recursive: true, force: true });
}
for (const line of wrong) console.log(line);
console.log(`the pages of a service driven, ${wrong.length} complaints`);
process.exit(wrong.length > 0 ? 1 : 0);

// Drives the pages of a running service with Chromium: signs in, starts and stops a short run by clicking, sees it change by
// itself, with scripts off too, at desktop and phone width; every page held against html-validate and axe-core. On an invented
// machine, on loopback. usage: node site.mjs PROGRAM MACHINE BROWSER [PICTURES]
import { spawn } from "node:child_process";
import { cpSync, mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { chromium } from "playwright-core";
import * as driver from "./driver.mjs";
import { PATIENCE, desktop, expect, freePort, phone, wrong } from "./driver.mjs";

const [program, machine, browserPath, pictures] = process.argv.slice(2);
const TOKEN = "dG9rZW4gb2YgYSB0ZXN0IHRoYXQgZW5kcw";
const HOSTILE = "<img src=x onerror=alert(1)><script>alert(2)</script>";

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

const visit = (browser, options) => driver.visit(browser, origin, options);
const signIn = (page, token = TOKEN) => driver.signIn(page, origin, token);
const check = (page, name) => driver.check(page, `site-${name}`, pictures);

const left = (page) => page.locator('[data-part="answers"] dd').nth(1).textContent();

async function changes(page, what) {
  const before = await left(page);
  await page.waitForFunction((known) => {
    const now = document.querySelectorAll('[data-part="answers"] dd')[1];
    return now && now.textContent !== known;
  }, before).catch(() => wrong.push(`${what}: nothing changes`));
}

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

await driver.answers(origin);
const browser = await chromium.launch({ executablePath: browserPath, args: ["--no-sandbox"] });
const status = await driver.report("the pages of a service", browser, () => drive(browser));
service.kill("SIGTERM");
rmSync(folder, { recursive: true, force: true });
process.exit(status);

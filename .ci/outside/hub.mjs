// Drives the pages of a hub with Chromium: three enrolled machines of which one runs a suite, the board as it changes by itself,
// results, papers, at desktop and phone width, with scripts off too. On invented machines, on loopback, with a message server of its
// own. usage: node hub.mjs PROGRAM MACHINE BROWSER [PICTURES]
import { execFileSync, spawn } from "node:child_process";
import { cpSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { chromium } from "playwright-core";
import * as driver from "./driver.mjs";
import { desktop, expect, freePort, phone } from "./driver.mjs";

const [program, machine, browserPath, pictures] = process.argv.slice(2);
const HOSTILE = "<img src=x onerror=alert(1)><script>alert(2)</script>";
const folder = mkdtempSync(join(tmpdir(), "soakproof-hub-"));
const [server, port] = [await freePort(), await freePort()];
const origin = `http://127.0.0.1:${port}`;
const environment = { ...process.env, SOAKPROOF_HUB: join(folder, "hub"), SOAKPROOF_CONFIG: "/dev/null" };
const hub = (...words) => execFileSync(program, ["hub", ...words], { env: environment, stdio: ["ignore", "pipe", "ignore"] }).toString();
const running = [];

function start(command, words, more = {}) {
  running.push(spawn(command, words, { stdio: "ignore", env: { ...environment, ...more } }));
}

async function until(what, holds) {
  for (const end = Date.now() + driver.PATIENCE; !holds();) {
    if (Date.now() > end) throw new Error(`waited in vain for ${what}`);
    await new Promise((resolve) => { setTimeout(resolve, 300); });
  }
}

const standing = (name) => JSON.parse(hub("board", "--json")).machines.find((line) => line.machine === name)?.state;

async function open() {
  hub("init", "--listen", `127.0.0.1:${server}`, "--pages", `127.0.0.1:${port}`);
  start("nats-server", ["-c", join(folder, "hub/server.conf")]);
  await new Promise((resolve) => { setTimeout(resolve, 1000); });
  for (const name of ["bench-1", "bench-2", "bench-10"]) hub("enrol", name, "--group", "floor", "--circuit", "B2", "--note", HOSTILE);
  start(program, ["hub", "serve"]);
  cpSync(machine, join(folder, "machine"), { recursive: true });
  mkdirSync(join(folder, "machine/proc"), { recursive: true });
  writeFileSync(join(folder, "machine/proc/uptime"), "7200.00 1000.00\n");
  const section = readFileSync(join(folder, "hub/machines/bench-1.toml"), "utf8");
  writeFileSync(join(folder, "bench-1.toml"), section.replace("/etc/soakproof/bench-1.nk", join(folder, "hub/machines/bench-1.nk")));
  start(program, ["serve", "--machine", join(folder, "machine"), "--notice", "1s", "--settle", "1s"], {
    SOAKPROOF_STORE: join(folder, "store"), SOAKPROOF_SOCKET: join(folder, "socket"), SOAKPROOF_CONFIG: join(folder, "bench-1.toml"),
  });
  writeFileSync(join(folder, "short.toml"), [
    'about = "arithmetic"', 'asserts = ["answers"]', 'stall-after = "20s"', "", "[[stage]]", 'name = "work"', 'time = "40s"', "",
    "[[stage.load]]", 'kernels = ["int-streams.reg"]', 'cores = "all"', "",
  ].join("\n"));
  await driver.answers(origin);
  await until("bench-1", () => standing("bench-1") === "idle");
}

const visit = (options) => driver.visit(browser, origin, options);
const check = (page, name) => driver.check(page, `hub-${name}`, pictures);
const state = (page, name) => page.locator(`[data-part="${name}"] td`).first();

async function drive() {
  const token = readFileSync(join(folder, "hub/pages.token"), "utf8").trim();
  const page = await visit({ viewport: desktop });
  await driver.signIn(page, origin, `${token}x`);
  expect(await page.getByRole("alert").textContent() === "the token is another one", "a wrong token is not told");
  await driver.signIn(page, origin, token);
  await page.getByRole("heading", { name: "The floor" }).waitFor();
  const order = await page.locator("tbody th").allTextContents();
  expect(order.join() === "bench-1,bench-2,bench-10", `machines are ordered ${order}`);
  await check(page, "board-idle");
  await page.evaluate(() => { window.unmoved = true; });
  hub("order", join(folder, "short.toml"), "--to", "bench-1");
  await state(page, "bench-1").getByText("running").waitFor();
  expect(await page.evaluate(() => window.unmoved === true), "the page was loaded anew instead of being changed");
  await page.waitForFunction(() => document.querySelector('[data-part="bench-1"] td:nth-of-type(3)')?.textContent?.includes("work"));
  await check(page, "board-desktop-light");
  await page.emulateMedia({ colorScheme: "dark" });
  await check(page, "board-desktop-dark");

  const still = await visit({ viewport: phone, javaScriptEnabled: false });
  await driver.signIn(still, origin, token);
  await still.locator("select[name=state]").selectOption("never heard");
  await still.getByRole("button", { name: "Show" }).click();
  await still.getByRole("link", { name: "Show all" }).waitFor();
  expect((await still.locator("tbody th").allTextContents()).join() === "bench-2,bench-10", "the choice of a state is not heeded");

  await page.waitForFunction(() => document.querySelector('[data-part="bench-1"] td:nth-of-type(2) .tag') !== null);
  await page.getByRole("link", { name: "bench-1", exact: true }).click();
  await page.getByRole("heading", { name: "bench-1" }).waitFor();
  expect((await page.locator("main").textContent()).includes(HOSTILE), "a note is not shown as it was written");
  await check(page, "machine-desktop");
  await page.getByRole("link", { name: /^Sheet of run/ }).click();
  await page.getByText("Test sheet").first().waitFor();
  await page.goto(`${origin}/results`);
  await check(page, "results-desktop");
  const table = await page.context().request.get(`${origin}/results.csv?`);
  expect((await table.text()).split("\r\n").length === 3, "the table has another number of lines");
  await page.getByRole("link", { name: /^Report of run/ }).click();
  await page.getByRole("heading", { name: "Course of the run" }).waitFor();
  await page.goto(`${origin}/sheets?`);
  await check(page, "sheets-desktop");
  await page.goto(`${origin}/machines/bench-7`);
  await check(page, "problem");

  const small = await visit({ viewport: phone, isMobile: true, hasTouch: true, colorScheme: "dark" });
  await driver.signIn(small, origin, token);
  for (const name of ["", "results", "machines/bench-1"]) {
    await small.goto(`${origin}/${name}`);
    await check(small, `${name.split("/")[0] || "board"}-phone-dark`);
  }
  await page.getByRole("button", { name: "Sign out" }).click();
  await page.goto(`${origin}/results`);
  expect(page.url() === `${origin}/sign-in`, "signed out, and still in");
}

const browser = await chromium.launch({ executablePath: browserPath, args: ["--no-sandbox"] });
const status = await driver.report("the pages of a hub", browser, async () => {
  await open();
  await drive();
});
for (const child of running.reverse()) child.kill("SIGTERM");
await new Promise((resolve) => { setTimeout(resolve, 1500); });
rmSync(folder, { recursive: true, force: true });
process.exit(status);

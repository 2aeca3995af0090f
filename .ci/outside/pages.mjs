// Holds every page of a folder against html-validate, axe-core and Chromium: at desktop and phone width, light and dark,
// and printed. usage: node pages.mjs PAGES BROWSER|none [PICTURES]
import { readdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { createRequire } from "node:module";
import { FileSystemConfigLoader, HtmlValidate } from "html-validate";
import { chromium } from "playwright-core";

const [folder, browserPath, pictures] = process.argv.slice(2);
const pages = readdirSync(folder).filter((name) => name.endsWith(".html")).sort();
const wrong = [];

// `recommended` is the rule set of the registry; the exceptions are matters of style, not of the standard.
const validator = new HtmlValidate(new FileSystemConfigLoader({
  extends: ["html-validate:recommended"],
  rules: {
    "no-inline-style": "off", // A file of its own has its style within.
    "long-title": "off",
    "no-trailing-whitespace": "off",
    "prefer-native-element": "off", // role=group on a scrolled stretch has no element of its own.
  },
}));
for (const name of pages) {
  const report = await validator.validateString(readFileSync(join(folder, name), "utf8"), name);
  for (const result of report.results) {
    for (const message of result.messages) {
      wrong.push(`${name}:${message.line}:${message.column}: ${message.ruleId}: ${message.message}`);
    }
  }
}

// Sheets are one page, reports two; many cores may take what they need.
const mostSheets = { "sheet.html": 1, "sheet-failed.html": 1, "proven.html": 2, "failed.html": 2 };

if (browserPath === "none") {
  console.log("passed over: no chromium here");
} else {
  const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
  const browser = await chromium.launch({ executablePath: browserPath, args: ["--no-sandbox"] });
  const desktop = { width: 1280, height: 900 };
  const phone = { width: 390, height: 844 };
  const looks = [["desktop", desktop, "light"], ["desktop", desktop, "dark"], ["phone", phone, "light"]];
  // Large or made of the same parts: once, at the size and in the light that the others have not had.
  const once = ["many.html", "hostile.html"];
  for (const name of pages) {
    for (const [size, viewport, colorScheme] of once.includes(name) ? [["phone", phone, "dark"]] : looks) {
      const where = `${name} (${size}, ${colorScheme})`;
      const context = await browser.newContext({ viewport, colorScheme });
      const page = await context.newPage();
      page.on("request", (request) => {
        if (!request.url().startsWith("file:")) wrong.push(`${where}: asks for ${request.url()}`);
      });
      page.on("dialog", (dialog) => {
        wrong.push(`${where}: a script ran`);
        void dialog.dismiss();
      });
      await page.goto(`file://${join(folder, name)}`);
      if (pictures) {
        const path = join(pictures, `${name.replace(".html", "")}-${size}-${colorScheme}.png`);
        await page.screenshot({ path, fullPage: true });
      }
      const [inner, outer] = await page.evaluate(() => [
        document.documentElement.scrollWidth, window.innerWidth,
      ]);
      if (inner > outer) wrong.push(`${where}: ${inner} wide in a window of ${outer}`);
      await page.evaluate(axe);
      // Every details open, so that what is in them is looked at too.
      await page.evaluate(() => document.querySelectorAll("details").forEach((one) => { one.open = true; }));
      const found = await page.evaluate(() => window.axe.run(document, {
        runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"],
      }));
      for (const violation of found.violations) {
        const places = violation.nodes.slice(0, 2).map((node) => `${node.html.slice(0, 140)} ${node.failureSummary?.slice(0, 200)}`);
        wrong.push(`${where}: ${violation.id}: ${violation.help}: ${places.join(" | ")}`);
      }
      await context.close();
    }
    const context = await browser.newContext();
    const page = await context.newPage();
    await page.goto(`file://${join(folder, name)}`);
    const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: true });
    const sheets = pdf.toString("latin1").match(/\/Type\s*\/Page\b/g).length;
    if (sheets > (mostSheets[name] ?? 9)) wrong.push(`${name}: printed on ${sheets} pages`);
    if (pictures) writeFileSync(join(pictures, name.replace(".html", ".pdf")), pdf);
    await context.close();
  }
  await browser.close();
}

for (const line of wrong) console.log(line);
console.log(`${pages.length} pages looked at, ${wrong.length} complaints`);
process.exit(wrong.length > 0 ? 1 : 0);

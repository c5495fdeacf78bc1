// Shows each form in the renderer, fills it by keyboard and mouse as a user would, and follows the response to its assessment.
//
//   node fill.mjs FHIR_BASE FOLDER
//
// FOLDER holds the npm packages and gets the pictures and the responses. The people are invented, of the invented Skerrow Islands.
import fs from "node:fs";
import http from "node:http";
import { createRequire } from "node:module";
import path from "node:path";
import assert from "node:assert/strict";

const [base, folder] = process.argv.slice(2);
const puppeteer = createRequire(path.join(folder, "package.json"))("puppeteer-core");
const LIBRARY = "/node_modules/lforms/dist/lforms";
const PAGE = `<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Form</title><link rel="icon" href="data:,">
<link rel="stylesheet" href="${LIBRARY}/webcomponent/styles.css"></head><body><div id="form"></div>
<script src="${LIBRARY}/webcomponent/assets/lib/zone.min.js"></script><script src="${LIBRARY}/webcomponent/lhc-forms.js"></script>
<script src="${LIBRARY}/fhir/R4/lformsFHIR.min.js"></script></body></html>`;
const TYPES = { ".js": "text/javascript", ".css": "text/css" };
const SUMMARY = ["findings", "monofilament", "footRisk", "prognosis", "neuropathy", "scores", "ulcers", "referrals", "recall"];

const both = (name, text) => [[`${name}-right`, text], [`${name}-left`, text]];
const FORMS = {
  // A person without the left foot, and with lost sensation and a missing pulse on the right.
  "foot-screening": {
    patient: { resourceType: "Patient", id: "skp-801", name: [{ family: "Brae", given: ["Una"] }] },
    answers: [
      ["diabetes", "Type 2 diabetes"], ["cannot-check-own-feet", "No"], ["cannot-self-care", "Not Asked"],
      ["amputation-left", "Below knee"], ["amputation-right", "None"], ["previous-foot-ulcer-right", "No"],
      ["dialysis-or-transplant", "None"], ["end-stage-renal-disease", "No"], ["foot-inspection-right", "Clear"],
      ["callus-right", "Present"], ["significant-callus-right", "Absent"], ["foot-deformity-right", "Present"],
      ["deformity-type-right", "Claw toe"], ["deformity-type-right", "Hallux valgus"],
      ["dorsalis-pedis-pulse-right", "Absent"], ["posterior-tibial-pulse-right", "Absent"],
      ["ankle-pressure-right-not-measured", "Not Performed"], ["toe-pressure-right", "48"],
      ["monofilament-10g-right-hallux", "Not felt"], ["monofilament-10g-right-metatarsal-head-1", "Felt"],
      ["monofilament-10g-right-metatarsal-head-5", "Asked But Declined"], ["egfr", "52"],
    ],
    closed: ["foot-ulcer-left", "dorsalis-pedis-pulse-left", "monofilament-10g-left-hallux", "ankle-pressure-left",
      "toe-pressure-right-not-measured", "gangrene-extent-right", "infection-sign-pus-right"],
    check(summary) {
      assert.equal(summary.footRisk["nice-ng19-2019"].atLeast, "high");
      assert.equal(summary.findings.protectiveSensationLost.left, "not-applicable");
      assert.deepEqual(summary.monofilament.right, { felt: 1, notFelt: 1, undecided: 0 });
    },
  },
  // A person whose feet and shins are numb on both sides.
  "neurological-examination": {
    patient: { resourceType: "Patient", id: "skp-802", name: [{ family: "Holm", given: ["Per"] }] },
    answers: [
      ["diabetes", "Type 1 diabetes"], ["diabetes-onset", "21"], ["neurotoxic-medicine", "Yes"],
      ["neurotoxic-medicine-medicine", "cisplatin"],
      ...both("foot-numbness", "Yes"), ...both("foot-pain-neuropathic", "No"), ["pain-score", "4"], ["symptom-onset", "03/15/2024"],
      ...both("light-touch", "Absent").map(([name, text]) => [`${name}-hallux`, text]),
      ...both("pinprick", "Reduced").map(([name, text]) => [`${name}-hallux`, text]),
      ...both("vibration-128hz", "Absent").map(([name, text]) => [`${name}-hallux`, text]),
      ["vibration-threshold-right", "38.5"], ["vibration-threshold-left-not-measured", "Not Performed"],
      ...both("sensory-level-light-touch", "Middle of the shin"), ...both("power-ankle-dorsiflexion", "MRC grade 4"),
      ...both("knee-reflex", "Normal"), ...both("ankle-reflex", "Absent"), ["romberg", "Positive"],
      ["blood-pressure-lying-systolic", "150"], ["blood-pressure-lying-diastolic", "85"],
      ["blood-pressure-standing-after-3-min-systolic", "118"], ["blood-pressure-standing-after-3-min-diastolic", "74"],
    ],
    closed: ["ulcer-depth-right", "pupil-involved-left"],
    check(summary) {
      assert.deepEqual(summary.neuropathy.level["light-touch"], { left: "mid-shin", right: "mid-shin" });
      assert.ok(summary.neuropathy.autonomic.includes("orthostatic-hypotension"));
    },
  },
};

const server = http.createServer((request, response) => {
  if (request.url === "/") return response.writeHead(200, { "content-type": "text/html" }).end(PAGE);
  const file = path.join(folder, path.normalize(request.url.split("?")[0]));
  fs.readFile(file, (fault, data) =>
    response.writeHead(fault ? 404 : 200, { "content-type": TYPES[path.extname(file)] ?? "application/octet-stream" }).end(data));
});
await new Promise((started) => server.listen(0, "127.0.0.1", started));

async function fhir(method, route, body) {
  const answer = await fetch(`${base}/${route}`, {
    method, headers: { accept: "application/fhir+json, application/json", "content-type": "application/fhir+json" },
    body: body && JSON.stringify(body),
  });
  const content = await answer.json();
  assert.equal(answer.status, 200, JSON.stringify(content).slice(0, 2000));
  return content;
}

async function ready() {
  for (let tries = 0; tries < 100; tries += 1) {
    const answer = await fetch(`${base.replace(/\/fhir$/, "")}/health/ready`).catch(() => null);
    if (answer?.ok) return;
    await new Promise((later) => setTimeout(later, 200));
  }
  throw new Error("the service does not answer");
}

const input = (link) => `input[id^="${link}/"], nz-date-picker[id^="${link}/"] input`;

const offered = (page, text, timeout) => page.waitForFunction(
  (wanted) => [...document.querySelectorAll("#completionOptions li")].find((one) => one.textContent.replace(/^\d+:/, "").trim() === wanted),
  { timeout }, text).catch(() => null);

async function fill(page, link, text) {
  const field = await page.waitForSelector(input(link), { timeout: 20000 }).catch(() => null);
  if (!field) await page.screenshot({ path: path.join(folder, "fault.png"), fullPage: true });
  assert.ok(field, `${link} is not shown`);
  await field.evaluate((node) => node.scrollIntoView({ block: "center" }));
  await field.click();
  if (/^[\d./]+$/.test(text)) {
    await field.type(text);
    await page.keyboard.press(text.includes("/") ? "Enter" : "Tab");
    return;
  }
  let choice = await offered(page, text, 3000);
  if (!choice) {
    await field.type(text); // a long list is shown in part until one types
    choice = await offered(page, text, 20000);
  }
  if (!choice) await page.screenshot({ path: path.join(folder, "fault.png"), fullPage: true });
  assert.ok(choice, `${link} does not offer ${text}`);
  await choice.asElement().evaluate((node) => node.scrollIntoView({ block: "nearest" }));
  await choice.asElement().click();
}

async function show(browser, name, form) {
  const page = await browser.newPage();
  const faults = [];
  page.on("pageerror", (fault) => faults.push(String(fault)));
  page.on("request", (request) => { if (!/^(http:\/\/127\.0\.0\.1|data:)/.test(request.url())) faults.push(`asks ${new URL(request.url()).host}`); });
  await page.goto(`http://127.0.0.1:${server.address().port}/`);
  const questionnaire = await fhir("GET", `Questionnaire/${name}`);
  await page.evaluate((one) => LForms.Util.addFormToPage(one, "form", { prepopulate: false }), questionnaire);
  await page.waitForSelector(input("diabetes"));
  await page.screenshot({ path: path.join(folder, `${name}-empty.png`), fullPage: true });
  for (const [link, text] of form.answers) await fill(page, link, text);
  for (const link of form.closed) {
    const gone = await page.waitForSelector(input(link), { hidden: true, timeout: 20000 }).then(() => true, () => false);
    if (!gone) await page.screenshot({ path: path.join(folder, "fault.png"), fullPage: true });
    assert.ok(gone, `${link} is still open`);
  }
  await page.screenshot({ path: path.join(folder, `${name}-filled.png`), fullPage: true });
  const response = await page.evaluate(
    (subject) => LForms.Util.getFormFHIRData("QuestionnaireResponse", "R4", document.getElementById("form"), { subject }), form.patient);
  assert.deepEqual(faults, []);
  await page.close();
  return response;
}

function count(items = []) {
  return items.reduce((sum, item) => sum + (item.answer?.length ?? 0) + count(item.item), 0);
}

const browser = await puppeteer.launch({
  executablePath: process.env.CHROMIUM, args: ["--no-sandbox", "--disable-gpu"], defaultViewport: { width: 1200, height: 900 },
});
try {
  await ready();
  for (const [name, form] of Object.entries(FORMS)) {
    const response = await show(browser, name, form);
    fs.writeFileSync(path.join(folder, `${name}-response.json`), JSON.stringify(response, null, 1));
    assert.equal(count(response.item), form.answers.length, "every answer that was given is in the response");
    const extracted = await fhir("POST", "QuestionnaireResponse/$extract", response);
    assert.equal(extracted.resourceType, "Bundle", JSON.stringify(extracted).slice(0, 2000));
    assert.equal(extracted.entry.length, form.answers.length);
    const [direct, through] = await Promise.all(
      [response, extracted].map((one) => fhir("POST", "$assess-lower-limb?output=summary", one)));
    for (const part of SUMMARY) assert.deepEqual(direct[part], through[part], part);
    assert.equal(direct.intake.unusable, 0);
    form.check(direct);
    console.log(`${name}: ${form.answers.length} answers shown, filled, exported, extracted and assessed`);
  }
} finally {
  await browser.close();
  server.close();
}

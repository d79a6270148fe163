// What the pages with charts need beyond the rest: a joint, a passage, the season.
import { onLookChange } from "./choices.js";
import { byId, say } from "./dom.js";
import { showFigures } from "./figures.js";
import { startLines } from "./lines.js";
import { HEARD, latest } from "./live.js";
import { showOverPassages } from "./over_passages.js";
import { startPassageChart } from "./passage_chart.js";
import { showSeason } from "./season.js";
import { showService } from "./service.js";
import { ask } from "./talk.js";
import { t } from "./texts.js";

async function startJoint() {
  const id = decodeURIComponent(location.pathname.split("/").pop());
  let joint;
  try {
    joint = await ask(`/api/joints/${encodeURIComponent(id)}`);
  } catch {
    return say(byId("chart-note"), t("error.no_contact"));
  }
  let present = joint.now;
  let axis = joint.axis;
  const show = () => {
    showFigures(present, axis);
    say(byId("creep-told"), joint.passages.told || "");
    showOverPassages(byId("over-passages"), joint.passages);
  };
  show();
  if (joint.span) startLines(id, joint.span);
  else say(byId("chart-note"), t("chart.nothing"));
  onLookChange(show);
  const hear = (now) => {
    present = now.joints.find((j) => j.joint === id) || null;
    axis = now.axis;
    showFigures(present, axis);
    showService(present, now.deeds);
  };
  document.addEventListener(HEARD, (event) => hear(event.detail));
  if (latest()) hear(latest());
}

async function startSeason() {
  const season = await ask("/api/season").catch(() => null);
  if (!season || !season.passages.length) return;
  showSeason(season);
  onLookChange(() => showSeason(season));
}

({ joint: startJoint, passage: startPassageChart, season: startSeason })[document.body.dataset.page]?.();

// The first page: alerts, the circuit, the joints.
import { showAlerts, tellChange } from "./alerts.js";
import { keepCircuit, paintCircuit } from "./circuit.js";
import { byId, say } from "./dom.js";
import { showJoints } from "./joints.js";
import { elapsedSeconds } from "./live.js";

export function showNow(now, again) {
  byId("problem").hidden = !now.problem;
  say(byId("problem"), now.problem || "");
  showAlerts(now, again);
  if (again) paintCircuit();
  else keepCircuit(now);
  showJoints(now, elapsedSeconds());
}

export function nowChanged(change, now) {
  tellChange(change, new Map((now?.joints || []).map((j) => [j.joint, j.name])));
}

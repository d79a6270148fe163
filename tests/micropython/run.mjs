// Runs the node's files under a real MicroPython: node run.mjs FOLDER_OF_THE_NODE SCRIPT.py
import { readFileSync, readdirSync } from "node:fs";
import { join } from "node:path";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript/micropython.mjs";

const [folder, script] = process.argv.slice(2);
const python = await loadMicroPython({
  heapsize: 192 * 1024, // what an RP2040 has for Python, about
  linebuffer: true,
  stdout: (line) => process.stdout.write(line + "\n"),
});
for (const name of readdirSync(folder).filter((name) => name.endsWith(".py"))) {
  python.FS.writeFile("/" + name, readFileSync(join(folder, name)));
}
python.runPython("import sys; sys.path.append('/')");
python.runPython(readFileSync(script, "utf8"));

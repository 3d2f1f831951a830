"use strict";
// How a test talks to a server: one JSON object a line on stdin is an order, one line on stdout
// the answer. When stdin ends, the test is over, and so is the server.

const fs = require("node:fs");
const readline = require("node:readline");

console.log = console.info = console.error; // stdout is for answers, also where libraries chat

/** Appends one line to the log that the test reads. */
function record(entry) {
  fs.appendFileSync(process.argv[2], JSON.stringify({ at: Date.now() / 1000, ...entry }) + "\n");
}

/** Carries out orders one after the other; `orders` holds a function for each. */
function obey(orders) {
  let last = Promise.resolve();
  const carryOut = async (line) => {
    const { order, ...given } = JSON.parse(line);
    let answer;
    try {
      answer = { ok: (await orders[order](given)) ?? null };
    } catch (error) {
      answer = { error: error.message };
    }
    process.stdout.write(JSON.stringify(answer) + "\n");
  };
  readline
    .createInterface({ input: process.stdin })
    .on("line", (line) => {
      last = last.then(() => carryOut(line));
    })
    .on("close", () => process.exit());
}

/**
 * The faults that are switched on. `known` maps each name to the arguments that it takes; a
 * fault without a channel holds for all of them.
 */
function faultsOf(known) {
  let faults = [];
  return {
    check(wanted) {
      for (const { name, ...given } of wanted) {
        if (!(name in known)) {
          throw new Error(`no fault "${name}"; there are ${Object.keys(known).join(", ")}`);
        }
        for (const argument of Object.keys(given)) {
          if (!known[name].includes(argument)) {
            throw new Error(`"${name}" takes ${known[name].join(", ")}, not "${argument}"`);
          }
        }
      }
    },
    /** Takes these faults from now on; gives those before. */
    replace(wanted) {
      const before = faults;
      faults = wanted;
      return before;
    },
    all(name) {
      return faults.filter((fault) => fault.name === name);
    },
    on(name, channel) {
      return faults.find(
        (fault) => fault.name === name && (fault.channel ?? channel) === channel,
      );
    },
  };
}

module.exports = { faultsOf, obey, record };

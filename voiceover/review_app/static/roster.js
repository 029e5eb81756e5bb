// A roster as text, one player a line: "Name, number, team". The first line is whom the talk is about, unless a star says otherwise.
// Position, nicknames and how a name is said have no place in a line: they come from the players that are known already, by name.
export function readRoster(text, known = []) {
  const players = [];
  for (const line of text.split("\n")) {
    const starred = line.includes("*");
    const [name = "", number = "", team = ""] = line.replace("*", "").split(",").map((part) => part.trim());
    if (!name || name.toLowerCase() === "name") continue;
    const player = { name, number: number.replace("#", ""), team, focus: starred };
    const named = known.filter((p) => p.name === name);
    players.push({ ...(named.find((p) => p.number === player.number) ?? named[0]), ...player });
  }
  if (players.length && !players.some((p) => p.focus)) players[0].focus = true;
  return players;
}

export function rosterText(players) {
  const several = players.filter((p) => p.focus).length > 1; // the first then needs a star as well
  return players.map((p, i) => [`${p.focus && (i || several) ? "*" : ""}${p.name}`, p.number, p.team].join(", ").replace(/(, )+$/, "")).join("\n");
}

// A roster.csv of the command line: columns by name.
export function rosterOfCsv(text) {
  const lines = text.split(/\r?\n/).filter((l) => l.trim());
  const columns = lines[0].split(",").map((c) => c.trim().toLowerCase());
  const list = (value) => (value ? value.split(/[;|]/).map((v) => v.trim()).filter(Boolean) : []);
  return lines.slice(1).map((line) => {
    const cells = Object.fromEntries(line.split(",").map((cell, i) => [columns[i], cell.trim().replace(/^"|"$/g, "")]));
    return {
      name: cells.name ?? "", number: cells.number ?? "", team: cells.team ?? "", focus: cells.role === "focus",
      position: cells.position ?? "", nicknames: list(cells.nicknames), say_as: list(cells.say_as),
    };
  }).filter((p) => p.name);
}

// Where the clip stands at a moment of the talk. Rows: [narration_s, clip_s or null, rate, source, confidence].
export class Playhead {
  constructor(rows) {
    this.rows = rows;
  }

  row(narration) {
    let low = 0;
    let high = this.rows.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.rows[middle][0] <= narration) low = middle + 1;
      else high = middle;
    }
    return low ? this.rows[low - 1] : null;
  }

  at(narration) {
    const row = this.row(narration);
    if (!row || row[1] === null) return null;
    return { clip: Math.max(0, row[1] + row[2] * (narration - row[0])), rate: row[2], unsure: row[4] !== null && row[4] < 0.5 };
  }
}

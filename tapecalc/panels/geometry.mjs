// How well a delay, a ruler and a stopwatch tell head spacing and tape speed.

/**
 * Shares of a value: standard uncertainties of spacing and speed, and the outline of both together.
 * @typedef {{spacing: number, speed: number, outline: (angle: number) => [number, number]}} Told
 */

/**
 * Mirrors tapecalc.measuring.geometry.solve_geometry of one head and one speed whose observations agree, by
 * the shares of their standard uncertainties: of the delay, with the clock in it, the ruler and the
 * stopwatch; Infinity where there is none. The outline throws a shadow of one share on either axis.
 * @param {number} delay @param {number} ruler @param {number} watch
 * @returns {Told}
 */
export function toldBy(delay, ruler, watch) {
  // Weights, and sums of them alone: nothing cancels where they differ by a million.
  const [ofDelay, ofRuler, ofWatch] = [delay, ruler, watch].map((share) => 1 / (share * share));
  const whole = ofRuler * ofWatch + ofDelay * (ofRuler + ofWatch);
  const spacing = Math.sqrt((ofWatch + ofDelay) / whole);
  const speed = Math.sqrt((ofRuler + ofDelay) / whole);
  const along = ofDelay / whole / spacing; // of the speed's, what goes with the spacing
  const across = 1 / Math.sqrt(ofWatch + ofDelay);
  return {
    spacing,
    speed,
    outline: (angle) => [spacing * Math.cos(angle), along * Math.cos(angle) + across * Math.sin(angle)],
  };
}

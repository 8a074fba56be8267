/** What an address or a press leads to is brought into sight, and stays there. */

const STILL_COMING_MS = 3000; // by then what stands above is there

/**
 * Bring something into sight, again while what is fetched above it still pushes it away;
 * whoever scrolls, points or types has the page. Returns what ends it.
 * @param {() => void} see
 */
export function keepInSight(see) {
  see();
  const watcher = new ResizeObserver(see);
  const hands = ["wheel", "pointerdown", "keydown"];
  const over = () => {
    watcher.disconnect();
    clearTimeout(timer);
    for (const hand of hands) removeEventListener(hand, over);
  };
  const timer = setTimeout(over, STILL_COMING_MS);
  for (const hand of hands) addEventListener(hand, over);
  watcher.observe(document.body);
  return over;
}

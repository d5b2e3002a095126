/* While a review is being opened: how far that is; then the review itself. */
(() => {
  const { get, ask, left } = desk;
  const POLL_MS = 300;
  let said = "";
  async function poll() {
    const told = await ask("opening");
    if (!told) return;
    if (told.ready) { location.reload(); return; }
    get("bar").value = told.share ?? 0;
    const words = left(told.left_s);
    // Said again only when it is another: screen readers speak every change.
    if (words && words !== said) get("left").textContent = `${words[0].toUpperCase()}${words.slice(1)}.`;
    said = words;
    setTimeout(poll, POLL_MS);
  }
  poll();
})();

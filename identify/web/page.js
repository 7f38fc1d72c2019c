// Runs before the page is drawn. The unit is this browser's own choice; nothing of it is sent anywhere.
(() => {
  const root = document.documentElement;
  const unit = () => { try { return localStorage.getItem("untagged-unit") || "mm"; } catch { return "mm"; } };
  const show = () => {
    root.classList.toggle("inches", unit() === "in");
    document.querySelectorAll(".unit-switch").forEach((b) => b.setAttribute("aria-pressed", unit() === "in"));
  };
  show();
  // A report takes a while to make: say so until it is there.
  const fetchMade = async (link) => {
    const words = link.parentElement.querySelector("[role=status]");
    words.hidden = false;
    try {
      const answer = await fetch(link.href);
      if (!answer.ok) throw new Error(answer.statusText);
      const name = /filename="([^"]+)"/.exec(answer.headers.get("content-disposition") || "");
      const file = document.createElement("a");
      file.href = URL.createObjectURL(await answer.blob());
      file.download = name ? name[1] : "report";
      file.click();
      setTimeout(() => URL.revokeObjectURL(file.href), 60000);
      words.hidden = true;
    } catch (error) { words.textContent = error.message; }
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest(".unit-switch");
    if (button) {
      try { localStorage.setItem("untagged-unit", unit() === "in" ? "mm" : "in"); } catch { /* not kept, then */ }
      show();
    }
    const link = event.target.closest && event.target.closest("a.keep-case");
    if (link) link.href = link.pathname + location.search;
    const made = event.target.closest && event.target.closest("a.made");
    if (made) { event.preventDefault(); fetchMade(made); }
    const copy = event.target.closest && event.target.closest("button[data-copy]");
    if (copy) {
      const from = document.getElementById(copy.dataset.copy);
      from.select(); document.execCommand("copy");
      copy.textContent = copy.dataset.done;
    }
  });
  // The case is in the address, so that a refresh or a lost connection comes back to it.
  // Gradio names its upload fields in English only, whatever stands above them.
  const nameUploads = () => document.querySelectorAll(".block > .upload-container").forEach((field) => {
    const label = field.parentElement.querySelector("[data-testid=block-label]"), words = label && label.textContent.trim();
    if (words && field.getAttribute("aria-label") !== words) field.setAttribute("aria-label", words);
  });
  const keepCase = () => {
    const shown = document.querySelector("[data-case]");
    if (!shown) return;
    const address = new URL(location.href);
    if (shown.dataset.case) address.searchParams.set("case", shown.dataset.case);
    else address.searchParams.delete("case");
    if (address.href !== location.href) history.replaceState(null, "", address);
  };
  new MutationObserver(() => { keepCase(); show(); nameUploads(); }).observe(root, { childList: true, subtree: true });
})();

// Light, dark or high contrast, before anything is drawn: what somebody chose here, else what the
// machine asks for.

(() => {
  const asks = (query) => matchMedia(query).matches;
  const wanted = () => {
    let chosen = null;
    try {
      chosen = localStorage.getItem("theme");
    } catch {
      // A browser that keeps nothing follows the machine.
    }
    if (["light", "dark", "contrast"].includes(chosen)) return chosen;
    return asks("(prefers-contrast: more)") ? "contrast" : asks("(prefers-color-scheme: dark)") ? "dark" : "light";
  };
  const apply = () => { document.documentElement.dataset.theme = wanted(); };
  apply();
  for (const query of ["(prefers-contrast: more)", "(prefers-color-scheme: dark)"]) matchMedia(query).addEventListener("change", apply);
  addEventListener("theme", apply);
})();

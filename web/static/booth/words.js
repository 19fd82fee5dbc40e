// The listener's language: English texts, looked up in the catalogue that the page carries.

const carried = document.getElementById("words");
const catalogue = carried ? JSON.parse(carried.textContent) : {};
export const language = document.documentElement.lang || "en";

// gettext's order of plural forms is that of Unicode's categories, of which a language has some.
const ORDER = ["zero", "one", "two", "few", "many", "other"];
const plural = new Intl.PluralRules(language);
const there = plural.resolvedOptions().pluralCategories;
const forms = ORDER.filter((category) => there.includes(category));

// `{name}` in a text is replaced by values.name.
const filled = (text, values) =>
  text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));

export function _(text, values = {}) {
  return filled(catalogue[text] || text, values);
}

// The form for `count`, which also fills `{count}`.
export function ngettext(one, many, count, values = {}) {
  const translated = catalogue[one];
  const index = forms.indexOf(plural.select(count));
  const text = translated
    ? (translated[Math.min(index, translated.length - 1)] ?? many)
    : count === 1
      ? one
      : many;
  return filled(text, { count, ...values });
}

const conjunction = new Intl.ListFormat(language, { type: "conjunction" });
export const list = (names) => conjunction.format(names);

const tenths = new Intl.NumberFormat(language, {
  minimumFractionDigits: 1,
  maximumFractionDigits: 1,
});
// A time or a length with one decimal, the way the language writes it.
export const decimal = (value) => tenths.format(value);

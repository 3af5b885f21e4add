// Rules for the scripts of one page, joined as the page joins them. The packages are found beside
// the folder that ROUTEKIT_NODE_MODULES names.
import { createRequire } from "node:module";

const load = createRequire(`${process.env.ROUTEKIT_NODE_MODULES}/`);
const js = load("@eslint/js");
const globals = load("globals");

// An index shares files with the pages and uses few of the names in them.
const shared = {
  "no-unused-vars": ["error", { vars: "local" }],
  "prefer-const": "off",
};

export default [
  js.configs.recommended,
  {
    languageOptions: {
      sourceType: "script",
      ecmaVersion: 2022,
      globals: { ...globals.browser, L: "readonly", sheet_map: "readonly" },
    },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      "array-callback-return": "error",
      complexity: ["error", 20],
      "default-case-last": "error",
      eqeqeq: "error",
      "max-depth": ["error", 4],
      "no-alert": "error",
      "no-console": "error",
      "no-eval": "error",
      "no-implied-eval": "error",
      "no-loop-func": "error",
      "no-param-reassign": "error",
      "no-restricted-properties": ["error",
        { property: "innerHTML", message: "Text of the study enters the page as text." },
        { property: "outerHTML", message: "Text of the study enters the page as text." },
        { property: "insertAdjacentHTML", message: "Text of the study enters the page as text." }],
      "no-return-assign": "error",
      "no-self-compare": "error",
      "no-unused-expressions": "error",
      "no-use-before-define": ["error", { functions: false, classes: false, variables: false }],
      "no-useless-concat": "error",
      "no-var": "error",
      "object-shorthand": "error",
      "prefer-const": "error",
      radix: "error",
    },
  },
  {
    // Only the map turns a place into cells of the grid.
    files: ["public.js", "part.js"],
    rules: { "no-unused-vars": ["error", { varsIgnorePattern: "^latLngToGrid$" }] },
  },
  {
    files: ["index.js"],
    languageOptions: { globals: { showCard: "readonly", fillLink: "readonly" } },
    rules: shared,
  },
  { files: ["map_index.js"], rules: shared },
];

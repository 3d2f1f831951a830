// Bundles app.jsx. Of the packages under "overrides", npm installs an empty one: editors, maps, pickers
// and telemetry, which no dashboard draws.
import { readFileSync } from 'node:fs';
import { build } from 'esbuild';

const here = import.meta.dirname;
const leftOut = Object.keys(JSON.parse(readFileSync(`${here}/package.json`)).overrides);
const standIns = {
  name: 'stand-ins',
  setup({ onResolve }) {
    const filter = new RegExp(`^(${leftOut.join('|')})(/|$)`);
    onResolve({ filter }, () => ({ path: `${here}/nothing.cjs` }));
  },
};
await build({
  absWorkingDir: here,
  entryPoints: ['app.jsx'],
  outfile: 'app.js',
  bundle: true,
  minify: true,
  format: 'esm',
  jsx: 'automatic',
  target: 'chrome100',
  mainFields: ['module', 'browser', 'main'],
  loader: { '.woff': 'dataurl', '.woff2': 'dataurl', '.svg': 'dataurl', '.ttf': 'dataurl' },
  define: { global: 'globalThis', 'process.env.NODE_ENV': '"production"' },
  alias: {
    '@grafana/ui': './node_modules/@grafana/ui/dist/cjs/index.cjs',
    '@grafana/data': './node_modules/@grafana/data/dist/cjs/index.cjs',
  },
  logLevel: 'warning',
  plugins: [standIns],
});

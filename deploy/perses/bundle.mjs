// Bundles app.jsx. Of the packages under "overrides", npm installs an empty one: they load plugins from
// other servers, or are for those who write programs. mdi-material-ui is 23,000 files for some 50 icons,
// so each is made here from its path in @mdi/js.
import { readFileSync } from 'node:fs';
import { build } from 'esbuild';

const here = import.meta.dirname;
const ICON = /^mdi-material-ui\/(esm\/)?/;
const leftOut = Object.keys(JSON.parse(readFileSync(`${here}/package.json`)).overrides);
const standIns = {
  name: 'stand-ins',
  setup({ onResolve, onLoad }) {
    onResolve({ filter: ICON }, ({ path }) => ({ path: path.replace(ICON, ''), namespace: 'icon' }));
    onLoad({ filter: /./, namespace: 'icon' }, ({ path: name }) => ({
      contents: `import { createSvgIcon } from '@mui/material/utils';
        import { mdi${name} } from '@mdi/js';
        export default createSvgIcon(<path d={mdi${name}} />, '${name}');`,
      loader: 'jsx',
      resolveDir: here,
    }));
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
  loader: { '.woff': 'dataurl', '.woff2': 'dataurl' },
  define: { global: 'globalThis', 'process.env.NODE_ENV': '"production"' },
  logLevel: 'warning',
  plugins: [standIns],
});

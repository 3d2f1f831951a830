// Bundles the app.jsx of a folder with the published packages that lie there; `build` is that of its
// own esbuild. Of the packages under "overrides", npm installs an empty one, and the bundle has
// nothing.cjs in their place.
import { readFileSync } from 'node:fs';

export async function bundle(build, folder, { plugins = [], loader = {}, ...more } = {}) {
  const leftOut = Object.keys(JSON.parse(readFileSync(`${folder}/package.json`)).overrides);
  const standIns = {
    name: 'stand-ins',
    setup({ onResolve }) {
      const filter = new RegExp(`^(${leftOut.join('|')})(/|$)`);
      onResolve({ filter }, () => ({ path: `${import.meta.dirname}/nothing.cjs` }));
    },
  };
  await build({
    absWorkingDir: folder,
    entryPoints: ['app.jsx'],
    outfile: 'app.js',
    bundle: true,
    minify: true,
    format: 'esm',
    jsx: 'automatic',
    target: 'chrome100',
    mainFields: ['module', 'browser', 'main'],
    loader: { '.woff': 'dataurl', '.woff2': 'dataurl', ...loader },
    define: { global: 'globalThis', 'process.env.NODE_ENV': '"production"' },
    logLevel: 'warning',
    plugins: [...plugins, standIns],
    ...more,
  });
}

// Left out are packages that load plugins from other servers, or are for those who write programs.
// mdi-material-ui is 23,000 files for some 50 icons, so each is made here from its path in @mdi/js.
import { build } from 'esbuild';
import { bundle } from './published.mjs';

const here = import.meta.dirname;
const ICON = /^mdi-material-ui\/(esm\/)?/;
const icons = {
  name: 'icons',
  setup({ onResolve, onLoad }) {
    onResolve({ filter: ICON }, ({ path }) => ({ path: path.replace(ICON, ''), namespace: 'icon' }));
    onLoad({ filter: /./, namespace: 'icon' }, ({ path: name }) => ({
      contents: `import { createSvgIcon } from '@mui/material/utils';
        import { mdi${name} } from '@mdi/js';
        export default createSvgIcon(<path d={mdi${name}} />, '${name}');`,
      loader: 'jsx',
      resolveDir: here,
    }));
  },
};
await bundle(build, here, { plugins: [icons] });

// Left out are editors, maps, pickers and telemetry, which no dashboard draws.
import { build } from 'esbuild';
import { bundle } from '../../../deploy/perses/published.mjs';

await bundle(build, import.meta.dirname, {
  loader: { '.svg': 'dataurl', '.ttf': 'dataurl' },
  alias: {
    '@grafana/ui': './node_modules/@grafana/ui/dist/cjs/index.cjs',
    '@grafana/data': './node_modules/@grafana/data/dist/cjs/index.cjs',
  },
});

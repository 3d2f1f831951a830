// The dashboards beside this file, drawn by the published components of Perses.
// config.json says where Prometheus or VictoriaMetrics answers, and which time is shown at first.
import React from 'react';
import { createRoot } from 'react-dom/client';
import { BrowserRouter } from 'react-router-dom';
import { CssBaseline, ThemeProvider } from '@mui/material';
import { QueryClient, QueryClientProvider } from '@tanstack/react-query';
import { QueryParamProvider } from 'use-query-params';
import { WindowHistoryAdapter } from 'use-query-params/adapters/window';
import { ChartsProvider, SnackbarProvider, generateChartsTheme, getTheme } from '@perses-dev/components';
import { PluginRegistry, ReactRouterProvider, ValidationProvider } from '@perses-dev/plugin-system';
import { ViewDashboard } from '@perses-dev/dashboards';
import * as markdown from '@perses-dev/markdown-plugin';
import * as prometheus from '@perses-dev/prometheus-plugin';
import * as stat from '@perses-dev/stat-chart-plugin';
import * as statusHistory from '@perses-dev/status-history-chart-plugin';
import * as table from '@perses-dev/table-plugin';
import * as timeSeries from '@perses-dev/timeseries-chart-plugin';

const PLUGINS = [markdown, prometheus, stat, statusHistory, table, timeSeries];
const pluginLoader = {
  getInstalledPlugins: async () => PLUGINS.map((plugin) => plugin.getPluginModule()),
  importPluginModule: async (resource) =>
    PLUGINS.find((plugin) => plugin.getPluginModule().metadata.name === resource.metadata.name),
};
const BOARDS = { fleet: 'All machines', machine: 'One machine', jewels: 'Jet hours', watcher: 'The watcher' };

function datasourceApi(directUrl) {
  const source = {
    kind: 'GlobalDatasource',
    metadata: { name: 'borewarden' },
    spec: { default: true, plugin: { kind: 'PrometheusDatasource', spec: { directUrl } } },
  };
  return {
    getDatasource: async () => undefined,
    getGlobalDatasource: async () => source,
    listDatasources: async () => [],
    listGlobalDatasources: async () => [source],
  };
}

function App({ board, dashboard, directUrl, search }) {
  const theme = getTheme('light');
  const client = new QueryClient({ defaultOptions: { queries: { refetchOnWindowFocus: false, retry: 1 } } });
  return (
    <ThemeProvider theme={theme}>
      <CssBaseline />
      <ChartsProvider chartsTheme={generateChartsTheme(theme, {})}>
        <QueryClientProvider client={client}>
          <BrowserRouter>
            <ReactRouterProvider>
              <QueryParamProvider adapter={WindowHistoryAdapter}>
                <SnackbarProvider anchorOrigin={{ vertical: 'bottom', horizontal: 'left' }}>
                  <PluginRegistry
                    pluginLoader={pluginLoader}
                    defaultPluginKinds={{ Panel: 'TimeSeriesChart', TimeSeriesQuery: 'PrometheusTimeSeriesQuery' }}
                  >
                    <ValidationProvider>
                      <nav>
                        {Object.entries(BOARDS).map(([name, words]) => (
                          <a key={name} href={`?board=${name}&${search}`} aria-current={name === board}>
                            {words}
                          </a>
                        ))}
                      </nav>
                      <ViewDashboard
                        dashboardResource={dashboard}
                        datasourceApi={datasourceApi(directUrl)}
                        isReadonly={true}
                        isVariableEnabled={true}
                        isDatasourceEnabled={false}
                        dashboardTitleComponent={<h1>{dashboard.spec.display.name}</h1>}
                      />
                    </ValidationProvider>
                  </PluginRegistry>
                </SnackbarProvider>
              </QueryParamProvider>
            </ReactRouterProvider>
          </BrowserRouter>
        </QueryClientProvider>
      </ChartsProvider>
    </ThemeProvider>
  );
}

const read = async (url) => (await fetch(url)).json();
const config = await read('config.json');
const query = new URLSearchParams(location.search);
const board = query.get('board') in BOARDS ? query.get('board') : 'fleet';
if (!query.has('start') && config.start) {
  query.set('start', config.start);
  query.set('end', config.end);
  history.replaceState(null, '', `?${query}`);
}
const shown = new URLSearchParams([...query].filter(([name]) => name === 'start' || name === 'end'));
const dashboard = await read(`dashboards/${board}.json`);
createRoot(document.getElementById('root')).render(
  <App board={board} dashboard={dashboard} directUrl={config.prometheus} search={shown.toString()} />
);

import { readFileSync } from "node:fs"
import { fileURLToPath } from "node:url"
import { svelte } from "@sveltejs/vite-plugin-svelte"
import { VitePWA } from "vite-plugin-pwa"
import { defineConfig } from "vite"

// The stock cbor-x tries `new Function` when it loads, which the page's
// content security policy forbids; its other build never does.
const cborWithoutEval = fileURLToPath(
  new URL("./node_modules/cbor-x/dist/index-no-eval.cjs", import.meta.url),
)

const server = process.env["GATEWRIGHT_SERVER"] ?? "http://127.0.0.1:8080"

const { version } = JSON.parse(readFileSync(new URL("./package.json", import.meta.url), "utf8")) as { version: string }

export default defineConfig({
  define: { __VERSION__: JSON.stringify(version) },
  resolve: { alias: { "cbor-x": cborWithoutEval } },
  build: {
    target: "es2022",
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    chunkSizeWarningLimit: 700,
  },
  worker: { format: "es" },
  server: {
    proxy: {
      "/api": server,
      "/sync": { target: server, ws: true },
    },
  },
  plugins: [
    svelte(),
    VitePWA({
      strategies: "generateSW",
      registerType: "prompt",
      injectRegister: false,
      includeAssets: ["icon.svg"],
      manifest: {
        id: "/",
        name: "Gatewright",
        short_name: "Gatewright",
        description: "The shared upkeep logbook of the sorting gates",
        lang: "en",
        start_url: "/",
        scope: "/",
        display: "standalone",
        orientation: "any",
        background_color: "#f6f1e6",
        theme_color: "#f6f1e6",
        icons: [
          { src: "/icon-192.png", sizes: "192x192", type: "image/png" },
          { src: "/icon-512.png", sizes: "512x512", type: "image/png" },
          { src: "/icon-512.png", sizes: "512x512", type: "image/png", purpose: "maskable" },
          { src: "/icon.svg", sizes: "any", type: "image/svg+xml" },
        ],
      },
      workbox: {
        // Cold start in the yard without network: everything is precached …
        globPatterns: ["**/*.{js,css,html,wasm,woff2,svg,png,webmanifest}"],
        // … but for the calculations, which no start needs: the page asks for them when it has nothing else to do.
        globIgnores: ["**/calc-*.wasm"],
        runtimeCaching: [
          {
            urlPattern: /\/assets\/calc-[^/]+\.wasm$/,
            handler: "CacheFirst",
            options: { cacheName: "calculations", expiration: { maxEntries: 1 }, cacheableResponse: { statuses: [200] } },
          },
        ],
        maximumFileSizeToCacheInBytes: 8 * 1024 * 1024,
        navigateFallback: "/index.html",
        navigateFallbackDenylist: [/^\/api\//, /^\/sync\//, /^\/healthz$/, /^\/readyz$/],
        // Without this the very first load has no worker and no offline start.
        clientsClaim: true,
        skipWaiting: false,
        cleanupOutdatedCaches: true,
      },
    }),
  ],
})

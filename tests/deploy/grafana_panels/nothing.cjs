// What the bundle has in place of a package that is left out: whatever is asked of it does nothing.
module.exports = new Proxy({}, { get: (_, name) => (name === '__esModule' ? true : () => null) });

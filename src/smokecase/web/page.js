window.smokecase = { start(element, trigger, watch) {} };

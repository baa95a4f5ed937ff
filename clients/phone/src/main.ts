import { mount } from "svelte"
import "./look/base.css"
import "./look/theme.svelte"
import App from "./app/App.svelte"
import { calculations } from "./calculations/client"
import { navigation } from "./navigation/navigation.svelte"
import { openHook } from "./session/hook"
import { session } from "./session/session.svelte"
import { update } from "./update/update.svelte"

const target = document.getElementById("app")
if (target !== null) mount(App, { target })
openHook(session, async (name, json) => (await calculations.run(name, json)).json)
void session.start()
update.start(() => navigation.sheet !== undefined)

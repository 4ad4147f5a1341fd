// @ts-check
/* Which stage of the plan is on: a line below the recording's name, with the way to its campaign. */
import { byId, html, renderFact } from "../dom.mjs";

/** @param {import("./messages.d.ts").Status} status */
export function renderStage({ campaign, path }) {
  const line = byId("live-campaign");
  line.hidden = !campaign;
  renderFact(line, [campaign, path], () => {
    if (!campaign) return [];
    const link = html("a", "", campaign.stage);
    link.href = "/campaign/" + encodeURIComponent(path);
    link.setAttribute("aria-label", `${campaign.stage}: its campaign`);
    const rest = [campaign.progress, campaign.end].filter(Boolean);
    return [html("span", "", [link]), ...rest.map((words) => html("span", "", words))];
  });
}

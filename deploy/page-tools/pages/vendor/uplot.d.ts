import uPlot from "uplot";
export default uPlot;
export type AlignedData = uPlot.AlignedData;
export type Options = uPlot.Options;
